"""Who may call. The rules of the token are those of HL7 CDS Hooks 2.0, "Trusting CDS Clients", and RFC 8725 (JWT practice)."""

import asyncio
import hashlib
import json
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from joserfc.errors import SecurityWarning
from joserfc.jwk import ECKey, RSAKey

from cds.security.caller import Caller, HttpCall, NotTrusted
from cds.security.clients import ClientsError, read_clients
from cds.security.jwks import KeySetError, usable_keys
from cds.security.jwt_auth import Trust
from cds.security.loopback_guard import TrustSettingsError, check_bind
from cds.security.ssrf_guard import ReachError, listed_networks
from cds.settings import TrustSettings
from tests.cds import ehr

T = TypeVar("T")


def run(work: Coroutine[Any, Any, T]) -> T:
    return asyncio.run(work)


def refusal(trust: Trust, call: HttpCall) -> NotTrusted:
    with pytest.raises(NotTrusted) as refused:
        run(trust.check(call))
    return refused.value


def test_a_token_made_as_the_standard_says_is_trusted(tmp_path: Path) -> None:
    caller = run(ehr.trust(tmp_path).check(ehr.call(ehr.token())))
    assert (caller.issuer, caller.tenant) == (ehr.ISS, None)


def test_rs384_is_trusted_as_the_standard_names_it_too(tmp_path: Path) -> None:
    assert run(ehr.trust(tmp_path).check(ehr.call(ehr.token(key=ehr.RSA, alg="RS384")))).issuer == ehr.ISS


def test_one_of_several_audiences_is_enough(tmp_path: Path) -> None:
    audience = ["https://elsewhere.example", ehr.BASE + ehr.PATH]
    assert run(ehr.trust(tmp_path).check(ehr.call(ehr.token(ehr.claims(aud=audience))))).issuer == ehr.ISS


@pytest.mark.parametrize(
    # Made when used: tokens are new each time, and every test worker must see the same list of tests.
    ("make", "reason"),
    [
        (lambda: None, "no_token"),
        (lambda: "", "no_token"),
        (lambda: "two words", "no_token"),
        (lambda: "x", "token_shape"),
        (lambda: "a.b.c", "token_shape"),
        (lambda: "é.é.é", "token_shape"),
        (lambda: "a" * 9000, "token_shape"),
        (lambda: ehr.unsigned(alg="ES384", claims_text="[" * 5000), "token_shape"),
        (lambda: ehr.unsigned(alg="ES384", claims_text='{"iss": "a", "iss": "b"}'), "token_shape"),
        (lambda: ehr.unsigned(), "algorithm"),
        (lambda: ehr.unsigned(alg="None"), "algorithm"),
        (lambda: ehr.unsigned(alg="NONE", signature="x"), "algorithm"),
        (lambda: ehr.signed_with_the_public_key_as_secret(), "algorithm"),
        (lambda: ehr.token(key=ehr.EC256, alg="ES256"), "algorithm"),
        (lambda: ehr.token(key=ehr.RSA, alg="PS384"), "algorithm"),
        (lambda: ehr.token(header={"typ": "at+jwt"}), "token_type"),
        (lambda: ehr.token(header={"typ": None}), "token_type"),
        (lambda: ehr.token(header={"kid": None}), "no_key_id"),
        (lambda: ehr.token(header={"kid": ""}), "no_key_id"),
        (lambda: ehr.token(header={"jwk": ehr.STRANGER.as_dict(private=False)}, key=ehr.STRANGER), "signature"),
        (lambda: ehr.token(header={"x5u": "https://evil.example/cert"}, key=ehr.STRANGER), "signature"),
        (lambda: ehr.with_header(crit=["b64"], b64=False), "token_shape"),
        (lambda: ehr.with_header(b64=False), "token_shape"),
        (lambda: ehr.with_header(crit=["exp"], exp=1), "crit"),
        (lambda: ehr.with_header(crit=["urn:x:unknown"]), "crit"),
        (lambda: ehr.with_header(crit=[]), "crit"),
        (lambda: ehr.with_header(crit="b64"), "crit"),
        (lambda: ehr.with_header(crit=None), "crit"),
        (lambda: ehr.token(header={"kid": "unknown"}), "key"),
        (lambda: ehr.token(header={"jku": "https://evil.example/keys"}), "jku"),
        (lambda: ehr.token(ehr.claims(iss="https://evil.example")), "issuer"),
        (lambda: ehr.token(ehr.claims(iss=[ehr.ISS])), "issuer"),
        (lambda: ehr.token(ehr.claims(iss=None)), "issuer"),
        (lambda: ehr.token(key=ehr.STRANGER), "signature"),
        (lambda: ehr.token()[:-8] + "AAAAAAAA", "signature"),
        (lambda: ehr.token(ehr.claims(aud=ehr.BASE)), "audience"),
        (lambda: ehr.token(ehr.claims(aud=f"{ehr.BASE}/cds-services/collar-discharge")), "audience"),
        (lambda: ehr.token(ehr.claims(aud=f"https://evil.example{ehr.PATH}")), "audience"),
        (lambda: ehr.token(ehr.claims(aud=None)), "audience"),
        (lambda: ehr.token(ehr.claims(aud=[{"a": 1}, 7])), "audience"),
        (lambda: ehr.token(ehr.claims(exp=None)), "no_times"),
        (lambda: ehr.token(ehr.claims(iat="today")), "no_times"),
        (lambda: ehr.token(ehr.claims(exp=True)), "no_times"),
        (lambda: ehr.token(ehr.claims(exp=float("inf"))), "token_shape"),
        (lambda: ehr.token(ehr.claims(exp=float("nan"))), "token_shape"),
        (lambda: ehr.token(ehr.claims(exp=1e30)), "no_times"),
        (lambda: ehr.token(ehr.claims(iat=ehr.NOW - 400, exp=ehr.NOW - 200)), "expired"),
        (lambda: ehr.token(ehr.claims(iat=ehr.NOW + 31, exp=ehr.NOW + 100)), "not_yet"),
        (lambda: ehr.token(ehr.claims(nbf=ehr.NOW + 60)), "not_yet"),
        (lambda: ehr.token(ehr.claims(exp=ehr.NOW + 301)), "lifetime"),
        (lambda: ehr.token(ehr.claims(iat=ehr.NOW, exp=ehr.NOW)), "lifetime"),
        (lambda: ehr.token(ehr.claims(jti=None)), "no_jti"),
        (lambda: ehr.token(ehr.claims(jti=7)), "no_jti"),
        (lambda: ehr.token(ehr.claims(jti="j" * 600)), "no_jti"),
        (lambda: ehr.token(ehr.claims(tenant="north")), "tenant"),
    ],
)
def test_anything_else_is_refused_with_its_reason(tmp_path: Path, make: Callable[[], str | None], reason: str) -> None:
    refused = refusal(ehr.trust(tmp_path), ehr.call(make()))
    assert refused.reason == reason
    assert refused.status in (401, 403)


def test_a_refusal_repeats_nothing_of_the_token(tmp_path: Path) -> None:
    secret = ehr.token(ehr.claims(iss="https://evil.example", jti="SECRETJTI"), header={"kid": "SECRETKID"})
    assert "SECRET" not in str(refusal(ehr.trust(tmp_path), ehr.call(secret)))


def test_two_authorization_headers_are_refused(tmp_path: Path) -> None:
    twice = HttpCall(ehr.PATH, {"authorization": [f"Bearer {ehr.token()}", "Bearer x"]})
    assert refusal(ehr.trust(tmp_path), twice).reason == "header_twice"


def test_es256_is_trusted_where_the_site_adds_it(tmp_path: Path) -> None:
    site = ehr.trust(tmp_path, algorithms=("ES384", "ES256"))
    assert run(site.check(ehr.call(ehr.token(key=ehr.EC256, alg="ES256")))).issuer == ehr.ISS


@pytest.mark.parametrize("name", ["none", "HS256", "PS384", "EdDSA", ""])
def test_no_other_algorithm_can_be_added(tmp_path: Path, name: str) -> None:
    with pytest.raises(TrustSettingsError, match="NUQUE_ALGORITHMS"):
        ehr.trust(tmp_path, algorithms=("ES384", name))


def test_the_clocks_may_differ_by_the_skew_and_no_more(tmp_path: Path) -> None:
    bearer = ehr.token(ehr.claims(iat=ehr.NOW, exp=ehr.NOW + 60))
    assert run(ehr.trust(tmp_path, now=ehr.NOW + 89).check(ehr.call(bearer))).issuer == ehr.ISS
    assert refusal(ehr.trust(tmp_path, now=ehr.NOW + 91), ehr.call(bearer)).reason == "expired"
    assert run(ehr.trust(tmp_path, now=ehr.NOW - 29).check(ehr.call(bearer))).issuer == ehr.ISS


def test_a_token_is_good_once(tmp_path: Path) -> None:
    site, bearer = ehr.trust(tmp_path), ehr.token()
    assert run(site.check(ehr.call(bearer))).issuer == ehr.ISS
    assert refusal(site, ehr.call(bearer)).reason == "replay"


def test_one_jti_of_two_clients_is_two_tokens(tmp_path: Path) -> None:
    """A jti is unique for its issuer only (RFC 7519, 4.1.7), so nobody uses up another's tokens, by chance or on purpose."""
    issuers = {"https://ehr.example/": "12", "https://ehr.example/1": "2", "https://lab.example/": "12"}
    keys = tmp_path / "keys.json"
    keys.write_text(ehr.key_set(ehr.EC384))
    listed = tmp_path / "listed.yaml"
    listed.write_text(json.dumps({"clients": [{"iss": issuer, "keys_file": str(keys)} for issuer in issuers]}))
    site = ehr.trust(tmp_path, clients=listed)
    for issuer, jti in issuers.items():
        assert run(site.check(ehr.call(ehr.token(ehr.claims(iss=issuer, jti=jti))))).issuer == issuer
    assert [
        refusal(site, ehr.call(ehr.token(ehr.claims(iss=issuer, jti=jti)))).reason for issuer, jti in issuers.items()
    ] == ["replay"] * 3


def test_a_token_may_be_as_long_as_is_said_and_not_longer(tmp_path: Path) -> None:
    """8,192 characters, as docs/threats.md says."""
    made = (ehr.token(ehr.claims(jti="once", pad="x" * length)) for length in range(5500, 6200))
    by_length = {len(bearer): bearer for bearer in made}
    longest = min(length for length in by_length if length > 8192)
    assert run(ehr.trust(tmp_path).check(ehr.call(by_length[8192]))).issuer == ehr.ISS
    assert longest <= 8194
    assert refusal(ehr.trust(tmp_path), ehr.call(by_length[longest])).reason == "token_shape"


def test_a_token_that_is_refused_does_not_use_up_its_jti(tmp_path: Path) -> None:
    remembered = ehr.Remembered()
    site = ehr.trust(tmp_path, replay=remembered)
    assert refusal(site, ehr.call(ehr.token(ehr.claims(jti="once"), key=ehr.STRANGER))).reason == "signature"
    assert remembered.seen == {}
    assert run(site.check(ehr.call(ehr.token(ehr.claims(jti="once"))))).issuer == ehr.ISS


def test_a_used_token_is_remembered_for_as_long_as_it_would_be_good(tmp_path: Path) -> None:
    remembered = ehr.Remembered()
    run(ehr.trust(tmp_path, replay=remembered, clock_skew_seconds=30).check(ehr.call(ehr.token())))
    assert min(remembered.seen.values()) > ehr.NOW + 120 + 30


def test_a_tenant_must_be_listed_and_named(tmp_path: Path) -> None:
    site = ehr.trust(tmp_path, client={"tenants": ["north", "south"]})
    assert run(site.check(ehr.call(ehr.token(ehr.claims(tenant="south"))))).tenant == "south"
    assert refusal(site, ehr.call(ehr.token(ehr.claims(tenant="west")))).reason == "tenant"
    assert refusal(site, ehr.call(ehr.token())).reason == "tenant"


@pytest.mark.parametrize(
    "header",
    [
        {"cty": "JWT"},
        {"urn:x:release": {"of": ["the", "EHR"]}},
        {"x5u": "https://evil.example/cert"},
        {"x5t": "c29tZXRoaW5n"},
        {"x5c": ["A" * 2000]},
        {"jwk": ehr.STRANGER.as_dict(private=False)},
        {"b64": True},
    ],
)
def test_a_header_that_is_not_understood_is_ignored(tmp_path: Path, header: dict[str, Any]) -> None:
    """RFC 7515, section 4: all header parameters that are not understood MUST be ignored unless `crit` names them."""
    assert run(ehr.trust(tmp_path).check(ehr.call(ehr.token(header=header)))).issuer == ehr.ISS


def test_a_jku_beside_a_key_file_is_checked_against_those_listed(tmp_path: Path) -> None:
    listed = ["https://ehr.hospital.example/keys", "https://ehr.hospital.example/old"]
    site = ehr.trust(tmp_path, client={"jku": listed})
    for jku in (*listed, None):
        assert run(site.check(ehr.call(ehr.token(header={"jku": jku})))).issuer == ehr.ISS
    for jku in ("https://evil.example/keys", "https://ehr.hospital.example/keys/", "", 7, listed):
        assert refusal(site, ehr.call(ehr.with_header(jku=jku))).reason == "jku"
    assert site.missing_key_sets() == []


def test_a_tenant_of_a_client_without_tenants_follows_the_setting(tmp_path: Path) -> None:
    accepting = ehr.trust(tmp_path, unlisted_tenants="accept")
    assert run(accepting.check(ehr.call(ehr.token(ehr.claims(tenant="north"))))).tenant == "north"
    assert run(accepting.check(ehr.call(ehr.token()))).tenant is None
    for odd in ("", "n" * 513, 7, ["north"], {}):
        assert refusal(accepting, ehr.call(ehr.token(ehr.claims(tenant=odd)))).reason == "tenant"
    listing = ehr.trust(tmp_path, client={"tenants": ["north"]}, unlisted_tenants="accept")
    assert refusal(listing, ehr.call(ehr.token(ehr.claims(tenant="west")))).reason == "tenant"
    assert refusal(listing, ehr.call(ehr.token())).reason == "tenant"


# --- the client certificate that a proxy checked -------------------------------------------------------------------


def behind_proxy(folder: Path) -> Trust:
    certificate = {"certificate": "CN=ehr.hospital.example"}
    return ehr.trust(folder, client=certificate, trust="jwt+mtls-header", trusted_proxies=("10.0.0.0/24",))


def test_the_certificate_must_be_the_clients_and_come_from_the_proxy(tmp_path: Path) -> None:
    site, right = behind_proxy(tmp_path), "CN=ehr.hospital.example"
    good = ehr.call(ehr.token(), peer="10.0.0.7", x_client_certificate=right)
    assert run(site.check(good)).issuer == ehr.ISS
    other = ehr.call(ehr.token(), peer="10.0.0.7", x_client_certificate="CN=other")
    assert refusal(site, other).reason == "certificate"
    assert refusal(site, ehr.call(ehr.token(), peer="10.0.0.7")).reason == "certificate"
    around = ehr.call(ehr.token(), peer="10.0.1.7", x_client_certificate=right)
    assert refusal(site, around).reason == "proxy"
    assert refusal(site, ehr.call(ehr.token(), x_client_certificate=right)).reason == "proxy"


def test_with_certificates_each_client_needs_one_and_the_proxies_must_be_named(tmp_path: Path) -> None:
    with pytest.raises(TrustSettingsError, match="NUQUE_TRUSTED_PROXIES"):
        ehr.trust(tmp_path, trust="jwt+mtls-header")
    with pytest.raises(ClientsError, match="certificate"):
        ehr.trust(tmp_path, trust="jwt+mtls-header", trusted_proxies=("10.0.0.0/24",))


# --- open mode -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.5", "cds.hospital.example", ""])
def test_open_refuses_to_listen_on_anything_but_this_machine(host: str) -> None:
    with pytest.raises(TrustSettingsError, match=r"127\.0\.0\.1"):
        check_bind(TrustSettings(), host)
    check_bind(TrustSettings(trust="jwt"), host)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.2", "::1", "localhost"])
def test_open_may_listen_on_this_machine(host: str) -> None:
    check_bind(TrustSettings(), host)
    with pytest.raises(TrustSettingsError):
        check_bind(TrustSettings(), f"{host}.example")


@pytest.mark.parametrize("host", ["localhost", "localhost:8000", "127.0.0.1:8000", "[::1]:8000"])
def test_open_answers_this_machine(host: str) -> None:
    call = HttpCall(ehr.PATH, {"host": [host]}, peer="127.0.0.1", local="127.0.0.1")
    assert run(Trust(TrustSettings(), ehr.Remembered()).check(call)).issuer == "open"


@pytest.mark.parametrize(
    ("peer", "local", "host"),
    [
        ("192.168.1.9", "192.168.1.5", "192.168.1.5:8000"),
        ("127.0.0.1", "192.168.1.5", "localhost"),
        ("192.168.1.9", "127.0.0.1", "localhost"),
        # A page on the internet whose name was pointed at this machine.
        ("127.0.0.1", "127.0.0.1", "rebound.evil.example:8000"),
        ("127.0.0.1", "127.0.0.1", ""),
    ],
)
def test_open_answers_nobody_else_whatever_opened_the_socket(peer: str, local: str, host: str) -> None:
    call = HttpCall(ehr.PATH, {"host": [host]}, peer=peer, local=local)
    assert refusal(Trust(TrustSettings(), ehr.Remembered()), call).reason == "not_local"


# --- settings and files --------------------------------------------------------------------------------------------


def test_jwt_needs_clients_and_an_audience(tmp_path: Path) -> None:
    with pytest.raises(TrustSettingsError, match="NUQUE_CLIENTS"):
        Trust(TrustSettings(trust="jwt"), ehr.Remembered())
    with pytest.raises(TrustSettingsError, match="NUQUE_AUDIENCES"):
        Trust(TrustSettings(trust="jwt", clients=ehr.clients_file(tmp_path)), ehr.Remembered())


def test_clients_without_trust_are_an_oversight(tmp_path: Path) -> None:
    with pytest.raises(TrustSettingsError, match="set NUQUE_TRUST=jwt"):
        Trust(TrustSettings(clients=ehr.clients_file(tmp_path)), ehr.Remembered())


def test_keys_are_fetched_by_https_only(tmp_path: Path) -> None:
    with pytest.raises(ClientsError, match=r"jku: http://keys\.example: keys are fetched by https only"):
        ehr.trust(tmp_path, client={"keys_file": None, "jku": ["http://keys.example/x"]})


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("clients: []", "clients"),
        ("clients: [{iss: a}]", "give jku, keys_file, or both"),
        ("clients: [{iss: a, jku: [https://a.example], secret: b}]", "secret"),
        ("clients: [{iss: a, jku: [https://a.example]}, {iss: a, jku: [https://b.example]}]", "given twice"),
        ("clients: [", "not valid YAML"),
    ],
)
def test_a_wrong_clients_file_says_what_and_where(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "clients.yaml"
    path.write_text(text)
    with pytest.raises(ClientsError, match=message) as error:
        read_clients(path)
    assert "clients.yaml" in str(error.value)


def test_a_missing_clients_file_says_so(tmp_path: Path) -> None:
    with pytest.raises(ClientsError, match="cannot be read"):
        read_clients(tmp_path / "none.yaml")


def test_a_wrong_network_names_its_setting(tmp_path: Path) -> None:
    with pytest.raises(ReachError, match=r"NUQUE_TRUSTED_PROXIES.*proxy-host"):
        ehr.trust(tmp_path, trusted_proxies=("proxy-host",))
    assert listed_networks(("10.0.0.0/24",), "x")


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"keys": []}', '{"keys": [{"kty": "EC"}]}', '{"keys": 7}', '{"keys": [7]}', "{", "[" * 5000],
)
def test_a_key_set_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(KeySetError):
        usable_keys(text.encode())


def test_keys_for_encryption_symmetric_keys_and_small_keys_are_left_out() -> None:
    with pytest.warns(SecurityWarning):
        small = RSAKey.generate_key(1024, {"kid": "small", "use": "sig"})
    encryption = {**ehr.EC384.as_dict(private=False), "use": "enc", "kid": "enc"}
    symmetric = {"kty": "oct", "k": "c2VjcmV0LXNlY3JldC1zZWNyZXQtc2VjcmV0", "kid": "oct"}
    keys = [ehr.EC384.as_dict(private=False), small.as_dict(private=False), encryption, symmetric]
    with pytest.warns(SecurityWarning):
        assert list(usable_keys(json.dumps({"keys": keys}).encode())) == ["ec384"]


@pytest.mark.parametrize(
    "unknown",
    [
        {"kty": "AKP", "kid": "new", "alg": "ML-DSA-44", "pub": "AAAA"},
        {"kty": "EC", "crv": "P-999", "x": "a", "y": "b", "kid": "curve"},
        {"kty": "RSA", "n": "AQAB", "e": "AQAB", "kid": "tiny"},
        7,
    ],
)
def test_a_key_of_an_unknown_kind_does_not_cost_the_others(unknown: object) -> None:
    """RFC 7517, section 5: such keys are to be ignored, so a client can add one without being shut out."""
    listed = [unknown, ehr.EC384.as_dict(private=False)]
    assert list(usable_keys(json.dumps({"keys": listed}).encode())) == ["ec384"]


def test_two_keys_of_one_name_are_refused() -> None:
    with pytest.raises(KeySetError, match="same key id"):
        usable_keys(ehr.key_set(ehr.EC384, ehr.STRANGER).encode())


# --- what each refusal says ----------------------------------------------------------------------------------------

SHAPE = "the token is not a signed JWT in compact form"
CRIT = "the token's header asks (crit) for an extension that is not understood here"
TIMES = "the token must carry exp and iat, in seconds since 1970"


@pytest.mark.parametrize(
    ("make", "given", "reason", "message"),
    [
        (lambda: None, {}, "no_token", "Authorization: send a signed token (JWT) as 'Bearer'"),
        (lambda: "two words", {}, "no_token", "Authorization: expected 'Bearer' and a signed token (JWT)"),
        (
            lambda: "a" * 8193,
            {},
            "token_shape",
            "the token is longer than 8192 characters or not plain ASCII",
        ),
        (lambda: "x", {}, "token_shape", SHAPE),
        (lambda: ehr.unsigned(alg="ES384", claims_text="[]", signature="AAAA"), {}, "token_shape", SHAPE),
        (lambda: ehr.token_with_a_key_twice(ehr.claims()), {}, "token_shape", SHAPE),
        (lambda: ehr.unsigned(), {}, "algorithm", "the token's alg is not accepted; use ES384, RS384"),
        (lambda: ehr.token(header={"typ": None}), {}, "token_type", "the token's typ must be JWT"),
        (lambda: ehr.token(header={"kid": None}), {}, "no_key_id", "the token's header must name its key (kid)"),
        (lambda: ehr.token(header={"kid": "k" * 513}), {}, "no_key_id", "the token's header must name its key (kid)"),
        (
            lambda: ehr.token(header={"kid": "k" * 512}),
            {},
            "key",
            "the token's kid is not in the key set of this client",
        ),
        (lambda: ehr.with_header(crit=["exp"], exp=1), {}, "crit", CRIT),
        (lambda: ehr.token(ehr.claims(iss=[ehr.ISS])), {}, "issuer", "the token's iss is not a client of this service"),
        (
            lambda: ehr.token(header={"jku": "https://evil.example/keys"}),
            {},
            "jku",
            "the token's jku is not listed for this client; list it, also beside a keys_file",
        ),
        (lambda: ehr.token(key=ehr.STRANGER), {}, "signature", "the token's signature does not hold"),
        (
            lambda: ehr.token(ehr.claims(aud=None)),
            {},
            "audience",
            f"the token's aud is not the URL that was called, which is {ehr.BASE}{ehr.PATH}",
        ),
        (lambda: ehr.token(ehr.claims(exp=None)), {}, "no_times", TIMES),
        (lambda: ehr.token(ehr.claims(iat=None)), {}, "no_times", TIMES),
        (lambda: ehr.token(ehr.claims(iat=-1)), {}, "no_times", TIMES),
        (lambda: ehr.token(ehr.claims(exp=10**11)), {}, "no_times", TIMES),
        (lambda: ehr.token(ehr.claims(iat=ehr.NOW - 99, exp=ehr.NOW - 31)), {}, "expired", "the token has expired"),
        (
            lambda: ehr.token(ehr.claims(iat=ehr.NOW + 31)),
            {},
            "not_yet",
            "the token was issued in the future; set the clocks right",
        ),
        (lambda: ehr.token(ehr.claims(nbf=ehr.NOW + 31)), {}, "not_yet", "the token is not valid yet (nbf)"),
        (lambda: ehr.token(ehr.claims(nbf="now")), {}, "not_yet", "the token is not valid yet (nbf)"),
        (
            lambda: ehr.token(ehr.claims(iat=0)),
            {},
            "lifetime",
            "the token must live for more than 0 and at most 300 seconds (iat to exp)",
        ),
        (
            lambda: ehr.token(ehr.claims(exp=ehr.NOW + 61)),
            {"token_lifetime_seconds": 60},
            "lifetime",
            "the token must live for more than 0 and at most 60 seconds (iat to exp)",
        ),
        (
            lambda: ehr.token(ehr.claims(exp=10**11 - 1)),
            {},
            "lifetime",
            "the token must live for more than 0 and at most 300 seconds (iat to exp)",
        ),
        (lambda: ehr.token(ehr.claims(jti="")), {}, "no_jti", "the token must carry a jti, a text that is used once"),
        (
            lambda: ehr.token(ehr.claims(jti="j" * 513)),
            {},
            "no_jti",
            "the token must carry a jti, a text that is used once",
        ),
    ],
)
def test_each_refusal_is_a_401_that_says_what_to_do(
    tmp_path: Path, make: Callable[[], str | None], given: dict[str, Any], reason: str, message: str
) -> None:
    """401: without a token that holds nobody is let in (RFC 9110, section 15.5.2). Times are those of RFC 7519, section 4.1."""
    refused = refusal(ehr.trust(tmp_path, **given), ehr.call(make()))
    assert (refused.status, refused.reason, str(refused)) == (401, reason, message)
    assert refused.retry_after is None


@pytest.mark.parametrize(
    ("listed", "given", "tenant", "message"),
    [
        (["north"], {}, None, "the token must name one of the tenants that are listed for this client"),
        (["north"], {}, ["north"], "the token must name one of the tenants that are listed for this client"),
        ([], {}, "north", "the token's tenant is not listed for this client"),
        ([], {"unlisted_tenants": "accept"}, "", "the token's tenant must be a text of 1 to 512 characters"),
        ([], {"unlisted_tenants": "accept"}, 7, "the token's tenant must be a text of 1 to 512 characters"),
    ],
)
def test_a_wrong_tenant_is_a_403_that_says_what_is_wrong(
    tmp_path: Path, listed: list[str], given: dict[str, Any], tenant: object, message: str
) -> None:
    """403: who calls is known, and may not (RFC 9110, section 15.5.4)."""
    site = ehr.trust(tmp_path, client={"tenants": listed}, **given)
    refused = refusal(site, ehr.call(ehr.token(ehr.claims(tenant=tenant))))
    assert (refused.status, refused.reason, str(refused)) == (403, "tenant", message)


def test_a_used_token_is_refused_with_what_to_do(tmp_path: Path) -> None:
    site, bearer = ehr.trust(tmp_path), ehr.token()
    run(site.check(ehr.call(bearer)))
    refused = refusal(site, ehr.call(bearer))
    assert (refused.status, refused.reason) == (401, "replay")
    assert str(refused) == "the token was used before; make a new one for each call"


@pytest.mark.parametrize(
    ("peer", "certificate", "reason", "message"),
    [
        (None, "CN=right", "proxy", "the call did not come through the proxy that checks client certificates"),
        ("a name", "CN=right", "proxy", "the call did not come through the proxy that checks client certificates"),
        ("::a00:7", "CN=right", "proxy", "the call did not come through the proxy that checks client certificates"),
        ("10.0.0.7", "", "certificate", "x-proxied: not the client certificate that belongs to the token's iss"),
    ],
)
def test_a_wrong_certificate_is_a_401_that_says_what_is_wrong(
    tmp_path: Path, peer: str | None, certificate: str, reason: str, message: str
) -> None:
    site = ehr.trust(
        tmp_path,
        client={"certificate": "CN=right"},
        trust="jwt+mtls-header",
        trusted_proxies=("fd00::/64", "10.0.0.0/24"),
        certificate_header="x-proxied",
    )
    refused = refusal(site, ehr.call(ehr.token(), peer=peer, x_proxied=certificate))
    assert (refused.status, refused.reason, str(refused)) == (401, reason, message)
    for through in ("10.0.0.7", "fd00::7"):
        assert run(site.check(ehr.call(ehr.token(), peer=through, x_proxied="CN=right"))).issuer == ehr.ISS


@pytest.mark.parametrize(
    "changed",
    [
        {"iat": ehr.NOW - 90, "exp": ehr.NOW - 30},
        {"iat": ehr.NOW + 30, "exp": ehr.NOW + 31},
        {"nbf": ehr.NOW + 30},
        {"nbf": 0},
        {"exp": ehr.NOW + 300},
        {"iat": int(ehr.NOW), "exp": int(ehr.NOW) + 1},
        {"jti": "j"},
        {"jti": "j" * 512},
    ],
)
def test_a_token_is_trusted_up_to_the_very_edge(tmp_path: Path, changed: dict[str, Any]) -> None:
    """The skew is 30 s and the lifetime 300 s (docs/settings.md); a jti has 1 to 512 characters."""
    caller = run(ehr.trust(tmp_path).check(ehr.call(ehr.token(ehr.claims(**changed)))))
    assert (caller.issuer, caller.tenant, caller.patient) == (ehr.ISS, None, None)
    assert caller.client is not None and caller.client.iss == ehr.ISS


@pytest.mark.parametrize("scheme", ["bearer", "BEARER", "Bearer"])
def test_the_scheme_is_read_in_any_case_and_typ_too(tmp_path: Path, scheme: str) -> None:
    """RFC 9110, section 11.1: the scheme is case-insensitive; RFC 7519, section 5.1: so are media types, which typ names."""
    sent = HttpCall(ehr.PATH, {"authorization": [f"{scheme} {ehr.token(header={'typ': 'jwt'})}"]})
    assert run(ehr.trust(tmp_path).check(sent)).issuer == ehr.ISS


@pytest.mark.parametrize("value", ["", "Bearer", "Bearer ", "Basic YTpi", "Bearer a b"])
def test_another_authorization_is_no_token(tmp_path: Path, value: str) -> None:
    refused = refusal(ehr.trust(tmp_path), HttpCall(ehr.PATH, {"authorization": [value]}))
    assert (refused.status, refused.reason) == (401, "no_token")
    assert str(refused) == "Authorization: expected 'Bearer' and a signed token (JWT)"


def test_what_is_remembered_of_a_token_is_a_hash_of_issuer_and_jti(tmp_path: Path) -> None:
    """So the store holds no text of the client's; until exp, the skew, and a second for rounding are over."""
    remembered = ehr.Remembered()
    site = ehr.trust(tmp_path, replay=remembered, clock_skew_seconds=20)
    run(site.check(ehr.call(ehr.token(ehr.claims(jti="Erste-ü", exp=ehr.NOW + 60)))))
    digest = hashlib.sha256(f"{ehr.ISS}\0Erste-ü".encode()).hexdigest()
    assert remembered.seen == {digest: ehr.NOW + 81}


@pytest.mark.parametrize(
    ("base", "audience", "trusted"),
    [
        ("https://cds.example", "https://cds.example" + ehr.PATH, True),
        ("https://cds.example/", "https://cds.example" + ehr.PATH, True),
        ("https://cds.example/nuque/", "https://cds.example/nuque" + ehr.PATH, True),
        ("https://cds.example/nuque", "https://cds.example" + ehr.PATH, False),
    ],
)
def test_the_public_url_is_the_audience_where_none_is_set(
    tmp_path: Path, base: str, audience: str, trusted: bool
) -> None:
    given = TrustSettings(trust="jwt", clients=ehr.clients_file(tmp_path))
    site = Trust(given, ehr.Remembered(), public_url=base, now=lambda: ehr.NOW)
    sent = ehr.call(ehr.token(ehr.claims(aud=audience)))
    if trusted:
        assert run(site.check(sent)).issuer == ehr.ISS
    else:
        assert refusal(site, sent).reason == "audience"


def test_an_audience_that_is_set_goes_before_the_public_url(tmp_path: Path) -> None:
    given = TrustSettings(trust="jwt", clients=ehr.clients_file(tmp_path), audiences=(ehr.BASE,))
    site = Trust(given, ehr.Remembered(), public_url="https://cds.example", now=lambda: ehr.NOW)
    assert run(site.check(ehr.call(ehr.token()))).issuer == ehr.ISS
    other = ehr.call(ehr.token(ehr.claims(aud="https://cds.example" + ehr.PATH)))
    assert refusal(site, other).reason == "audience"


# --- who opens a page ----------------------------------------------------------------------------------------------

FROM_THE_CHART = (
    "Open Nuque from the patient's chart. If the chart does not offer it, ask the IT service desk to set up "
    "who may open its pages."
)
THROUGH_THE_PORTAL = "Open this page through the hospital's portal, signed in; if you are, ask the IT service desk."


def test_this_machine_opens_pages_in_open_mode() -> None:
    site = Trust(TrustSettings(), ehr.Remembered())
    assert site.check_page(HttpCall("/bedside", {"host": ["localhost"]}, "127.0.0.1", "127.0.0.1")) == Caller("open")
    with pytest.raises(NotTrusted) as refused:
        site.check_page(HttpCall("/bedside", {"host": ["localhost"]}, "10.0.0.7", "127.0.0.1"))
    assert refused.value.reason == "not_local"


def test_without_a_header_for_users_pages_open_from_the_chart_only(tmp_path: Path) -> None:
    with pytest.raises(NotTrusted) as refused:
        ehr.trust(tmp_path).check_page(HttpCall("/bedside", {}, "10.0.0.7"))
    assert (refused.value.status, refused.value.reason, str(refused.value)) == (403, "page", FROM_THE_CHART)


@pytest.mark.parametrize(
    ("peer", "headers", "opens"),
    [
        ("10.0.0.7", {"x-remote-user": ["a nurse"]}, True),
        ("10.0.0.7", {"x-remote-user": [""]}, False),
        ("10.0.0.7", {}, False),
        ("10.0.1.7", {"x-remote-user": ["a nurse"]}, False),
        (None, {"x-remote-user": ["a nurse"]}, False),
    ],
)
def test_whom_the_proxy_signed_in_opens_pages_and_nobody_else(
    tmp_path: Path, peer: str | None, headers: dict[str, list[str]], opens: bool
) -> None:
    site = ehr.trust(tmp_path, page_user_header="x-remote-user", trusted_proxies=("10.0.0.0/24",))
    call = HttpCall("/bedside", headers, peer)
    if opens:
        assert site.check_page(call) == Caller("page")
        return
    with pytest.raises(NotTrusted) as refused:
        site.check_page(call)
    assert (refused.value.status, refused.value.reason, str(refused.value)) == (403, "page", THROUGH_THE_PORTAL)


# --- what is wrong with the settings, word by word -------------------------------------------------------------------

CHOICE = "ES384, RS384, ES256, RS256"


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"algorithms": ("none", "ES384", "HS256")}, f"NUQUE_ALGORITHMS: none, HS256: expected some of {CHOICE}"),
        ({"algorithms": ()}, f"NUQUE_ALGORITHMS: none named: expected some of {CHOICE}"),
        ({"clients": None}, "NUQUE_CLIENTS: name the file of clients that may call, or set NUQUE_TRUST=open"),
        ({"audiences": ()}, "NUQUE_AUDIENCES: give the address of this service as its clients call it"),
        (
            {"trust": "jwt+mtls-header"},
            "NUQUE_TRUSTED_PROXIES: name the networks of the proxies that check certificates",
        ),
        (
            {"page_user_header": "x-remote-user"},
            "NUQUE_TRUSTED_PROXIES: name the networks of the proxies that sign users in",
        ),
        (
            {"trust": "open"},
            "NUQUE_CLIENTS: nobody is asked for a token while NUQUE_TRUST is 'open'; set NUQUE_TRUST=jwt",
        ),
    ],
)
def test_a_wrong_setting_is_named_with_what_to_do(tmp_path: Path, given: dict[str, Any], message: str) -> None:
    with pytest.raises(TrustSettingsError) as error:
        ehr.trust(tmp_path, **given)
    assert str(error.value) == message


def test_a_wrong_proxy_network_is_named(tmp_path: Path) -> None:
    with pytest.raises(ReachError) as error:
        ehr.trust(tmp_path, trusted_proxies=("proxy",))
    assert str(error.value).startswith("NUQUE_TRUSTED_PROXIES: 'proxy': not a network such as 10.20.0.0/16 (")


def test_a_client_without_its_certificate_is_named(tmp_path: Path) -> None:
    with pytest.raises(ClientsError) as error:
        ehr.trust(tmp_path, trust="jwt+mtls-header", trusted_proxies=("10.0.0.0/24",))
    assert str(error.value) == f"{ehr.ISS}: certificate: needed while NUQUE_TRUST is 'jwt+mtls-header'"


@pytest.mark.parametrize(
    ("client", "message"),
    [
        (
            {"keys_file": None, "jku": ["https://keys.example/x", "http://keys.example/x"]},
            "jku: http://keys.example: keys are fetched by https only (RFC 7515, 4.1.2)",
        ),
        ({"keys_file": None, "jku": ["ftp://keys.example/x"]}, "not an absolute http or https URL"),
        ({"keys_file": "/nowhere/keys.json"}, "/nowhere/keys.json: cannot be read: No such file or directory"),
    ],
)
def test_a_key_set_that_cannot_be_used_names_its_client(tmp_path: Path, client: dict[str, Any], message: str) -> None:
    with pytest.raises(ClientsError) as error:
        ehr.trust(tmp_path, client=client)
    assert str(error.value) == f"{ehr.ISS}: {message}"


@pytest.mark.parametrize("jku", ["https://keys.example/x", "http://localhost:9/x", "http://127.0.0.1:9/x"])
def test_keys_may_be_fetched_by_https_or_from_this_machine(tmp_path: Path, jku: str) -> None:
    site = ehr.trust(tmp_path, client={"keys_file": None, "jku": [jku]})
    assert site.missing_key_sets() == [jku.removesuffix("/x")]
    run(site.aclose())


def test_of_two_keys_of_one_length_the_one_of_the_kid_counts(tmp_path: Path) -> None:
    """A token that names another key of the same client does not hold."""
    other = ECKey.generate_key("P-384", {"kid": "other", "use": "sig"})
    site = ehr.trust(tmp_path, client={"keys": (ehr.EC384, other)})
    assert run(site.check(ehr.call(ehr.token(key=other)))).issuer == ehr.ISS
    assert refusal(site, ehr.call(ehr.token(key=other, header={"kid": "ec384"}))).reason == "signature"


# --- anything at all -----------------------------------------------------------------------------------------------

ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=5),
    st.sampled_from([[], {}, [[]], "x" * 600]),
)


def spoilt(right: dict[str, Any], names: str) -> st.SearchStrategy[dict[str, Any]]:
    """``right`` with some of ``names`` set to something odd: few at once, so that each check is reached."""
    odd = st.dictionaries(st.sampled_from(names.split()), ODD, max_size=2)
    return odd.map(lambda changed: {**right, **changed})


RIGHT_HEADER = {"alg": "ES384", "typ": "JWT", "kid": "ec384"}
HEADERS = spoilt(RIGHT_HEADER, "alg typ kid jku crit b64 jwk zip")
CLAIMS = spoilt(ehr.claims(), "iss aud exp iat nbf jti tenant")
TEXTS = st.text(max_size=20) | st.sampled_from(["[" * 5000, '{"a":' * 1000, "1" * 5000, "\ufeff{}", "null", "[]"])


@pytest.fixture(scope="module")
def trust(tmp_path_factory: pytest.TempPathFactory) -> Trust:
    return ehr.trust(tmp_path_factory.mktemp("trust"))


@settings(max_examples=1000)
@given(header=HEADERS, claims=CLAIMS)
def test_whatever_stands_in_a_token_it_is_refused_and_never_fails(
    trust: Trust, header: dict[str, Any], claims: dict[str, Any]
) -> None:
    sent = f"{ehr.encoded(json.dumps(header))}.{ehr.encoded(json.dumps(claims))}.{'A' * 128}"
    assert refusal(trust, ehr.call(sent)).status in (401, 403)


@example(header=json.dumps(RIGHT_HEADER), claims="[]", rest="AA")
@given(
    header=HEADERS.map(json.dumps) | TEXTS, claims=CLAIMS.map(json.dumps) | TEXTS, rest=st.text("Az09-_.", max_size=9)
)
def test_whatever_is_sent_as_a_token_is_refused_and_never_fails(
    trust: Trust, header: str, claims: str, rest: str
) -> None:
    sent = f"{ehr.encoded(header)}.{ehr.encoded(claims)}.{rest}"
    assert refusal(trust, ehr.call(sent)).status in (401, 403)


@given(claims=CLAIMS)
def test_whatever_a_client_claims_is_refused_or_right_and_never_fails(trust: Trust, claims: dict[str, Any]) -> None:
    try:
        caller = run(trust.check(ehr.call(ehr.token(claims))))
    except NotTrusted as refused:
        assert refused.status in (401, 403)
    else:
        assert caller.issuer == ehr.ISS
