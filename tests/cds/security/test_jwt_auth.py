"""Who may call. The rules of the token are those of HL7 CDS Hooks 2.0, "Trusting CDS Clients", and RFC 8725 (JWT practice)."""

import asyncio
import json
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from joserfc.errors import SecurityWarning
from joserfc.jwk import RSAKey

from cds.security.caller import HttpCall, NotTrusted
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


HEADERS = spoilt({"alg": "ES384", "typ": "JWT", "kid": "ec384"}, "alg typ kid jku crit b64 jwk zip")
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
