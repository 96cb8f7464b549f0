"""Key sets of clients, fetched from a real server on this machine."""

import asyncio
import base64
import hashlib
import json
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from joserfc.jwk import Key, OKPKey

from cds.bootstrap.app import create_app
from cds.security import jwks
from cds.security.caller import NotTrusted
from cds.security.jwks import FetchedKeys, FileKeys, KeySetError, usable_keys
from cds.security.jwt_auth import Trust
from cds.security.ssrf_guard import Origin, PinnedTransport, listed_networks
from cds.settings import Settings, TrustSettings
from tests.cds import ehr

SETTINGS = TrustSettings(keys_refresh_seconds=60, keys_cache_seconds=3600, keys_longest_seconds=86400)


class KeyServer(ThreadingHTTPServer):
    daemon_threads = True
    body = b""
    status = 200
    headers: dict[str, str]
    asked = 0


class Handler(BaseHTTPRequestHandler):
    server: KeyServer

    def do_GET(self) -> None:
        self.server.asked += 1
        self.send_response(self.server.status)
        for name, value in self.server.headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(self.server.body)))
        self.end_headers()
        self.wfile.write(self.server.body)

    def log_message(self, format: str, *args: object) -> None:
        pass


@pytest.fixture
def key_server() -> Iterator[KeyServer]:
    with KeyServer(("127.0.0.1", 0), Handler) as server:
        server.headers = {}
        server.body = ehr.key_set(ehr.EC384).encode()
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        yield server
        server.shutdown()
        thread.join()


class At:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def keys_of(server: KeyServer, clock: At, networks: tuple[str, ...] = ("127.0.0.0/8",)) -> FetchedKeys:
    url = f"http://127.0.0.1:{server.server_port}/keys"
    return FetchedKeys(url, SETTINGS, listed_networks(networks, "x"), clock=clock)


def test_a_set_is_fetched_once_and_cached(key_server: KeyServer) -> None:
    async def work() -> None:
        keys = keys_of(key_server, At())
        found = await asyncio.gather(*(keys.find("ec384") for _ in range(20)))
        assert all(found)
        assert key_server.asked == 1
        await keys.aclose()

    asyncio.run(work())


def test_an_unknown_key_id_fetches_again_but_not_more_often_than_is_set(key_server: KeyServer) -> None:
    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        assert await keys.find("ec384")
        for number in range(50):
            assert await keys.find(f"made-up-{number}") is None
        assert key_server.asked == 1
        key_server.body = ehr.key_set(ehr.EC384, ehr.RSA).encode()
        clock.now += 61
        assert await keys.find("rsa")
        assert key_server.asked == 2
        await keys.aclose()

    asyncio.run(work())


def test_a_key_that_was_withdrawn_is_gone_when_the_cache_is_old(key_server: KeyServer) -> None:
    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        assert await keys.find("ec384")
        key_server.body = ehr.key_set(ehr.RSA).encode()
        clock.now += 3601
        assert await keys.find("ec384") is None
        await keys.aclose()

    asyncio.run(work())


def test_the_old_set_serves_while_the_server_fails_but_not_for_ever(key_server: KeyServer) -> None:
    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        assert await keys.find("ec384")
        key_server.status = 500
        clock.now += 3601
        assert await keys.find("ec384")
        assert keys.problem == "answered 500"
        clock.now += 86400
        with pytest.raises(KeySetError, match="cannot be had"):
            await keys.find("ec384")
        await keys.aclose()

    asyncio.run(work())


@pytest.mark.parametrize(
    ("status", "body", "headers", "problem"),
    [
        (302, b"", {"Location": "http://127.0.0.1:9/keys"}, "answered 302"),
        (200, b"{}", {}, "not a usable key set"),
        (200, b" " * 300_000, {}, "longer than"),
        (200, b"x", {"Content-Encoding": "gzip"}, "compressed"),
    ],
)
def test_an_answer_that_is_no_key_set_is_refused(
    key_server: KeyServer, status: int, body: bytes, headers: dict[str, str], problem: str
) -> None:
    key_server.status, key_server.body, key_server.headers = status, body, headers

    async def work() -> None:
        keys = keys_of(key_server, At())
        with pytest.raises(KeySetError, match=problem):
            await keys.find("ec384")
        await keys.aclose()

    asyncio.run(work())


def test_a_key_set_at_a_private_address_that_is_not_listed_is_not_fetched(key_server: KeyServer) -> None:
    async def work() -> None:
        keys = keys_of(key_server, At(), networks=())
        with pytest.raises(KeySetError, match="private, local or reserved"):
            await keys.find("ec384")
        assert key_server.asked == 0
        await keys.aclose()

    asyncio.run(work())


def trust_with(server: KeyServer, folder: Path) -> Trust:
    url = f"http://127.0.0.1:{server.server_port}/keys"
    clients = ehr.clients_file(folder, keys_file=None, jku=[url])
    given = TrustSettings(trust="jwt", clients=clients, audiences=(ehr.BASE,))
    networks = listed_networks(("127.0.0.0/8",), "x")
    return Trust(given, ehr.Remembered(), private_networks=networks, now=lambda: ehr.NOW)


def test_a_token_is_checked_with_the_key_set_that_its_jku_names(key_server: KeyServer, tmp_path: Path) -> None:
    async def work() -> None:
        trust = trust_with(key_server, tmp_path)
        assert trust.missing_key_sets() == [f"http://127.0.0.1:{key_server.server_port}"]
        await trust.start()
        assert trust.missing_key_sets() == []
        jku = f"http://127.0.0.1:{key_server.server_port}/keys"
        assert (await trust.check(ehr.call(ehr.token(header={"jku": jku})))).issuer == ehr.ISS
        assert (await trust.check(ehr.call(ehr.token()))).issuer == ehr.ISS
        with pytest.raises(NotTrusted) as refused:
            await trust.check(ehr.call(ehr.token(header={"jku": jku + "2"})))
        assert refused.value.reason == "jku"
        await trust.aclose()

    asyncio.run(work())


def test_without_a_key_set_the_call_is_to_be_repeated_later(key_server: KeyServer, tmp_path: Path) -> None:
    key_server.status = 503

    async def work() -> None:
        trust = trust_with(key_server, tmp_path)
        with pytest.raises(NotTrusted) as refused:
            await trust.check(ehr.call(ehr.token()))
        assert (refused.value.status, refused.value.reason, refused.value.retry_after) == (503, "key_set", 60)
        await trust.aclose()

    asyncio.run(work())


@pytest.mark.parametrize(("status", "ready"), [(200, 200), (503, 503)])
def test_the_service_is_ready_once_its_key_sets_are_at_hand(
    key_server: KeyServer, tmp_path: Path, status: int, ready: int
) -> None:
    key_server.status = status
    origin = f"http://127.0.0.1:{key_server.server_port}"
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path, keys_file=None, jku=[f"{origin}/keys"]),
        audiences=(ehr.BASE,),
        pseudonym_key="k" * 32,
        private_networks=("127.0.0.0/8",),
    )
    with TestClient(create_app(settings)) as client:
        answer = client.get("/health/ready")
    assert answer.status_code == ready
    assert answer.json().get("failing", {}) == ({} if ready == 200 else {"key sets": f"no key set from {origin}"})


# --- which keys of a set are used, and what is said where there is none ----------------------------------------------

NO_KEY = "no signature key with a key id (elliptic curve, or RSA of at least 2048 bits)"


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"{", "not a usable key set: JsonProblem"),
        (b"[]", "not a usable key set: TypeError"),
        (b"{}", "not a usable key set: KeyError"),
        (b'{"keys": {"kty": "EC"}}', NO_KEY),
        (b'{"keys": []}', NO_KEY),
        (ehr.key_set(ehr.EC384, ehr.STRANGER).encode(), "two keys have the same key id"),
    ],
    ids=["cut off", "a list", "no keys", "one key alone", "no key in it", "one name twice"],
)
def test_a_key_set_without_a_usable_key_is_refused_with_the_reason(content: bytes, message: str) -> None:
    with pytest.raises(KeySetError) as error:
        usable_keys(content)
    assert str(error.value) == message


def changed(key: Key, **fields: object) -> dict[str, object]:
    found = {**key.as_dict(private=False), **fields}
    return {name: value for name, value in found.items() if value is not None}


def test_of_a_set_each_signature_key_with_a_name_is_used() -> None:
    """`use` and `kid` are those of RFC 7517, sections 4.2 and 4.5; without `use` a key is for anything.

    A key without `kid` is called by its thumbprint (RFC 7638, section 3), which nobody else's key has.
    """
    edwards = OKPKey.generate_key("Ed25519", {"kid": "edwards", "use": "sig"})
    listed = [
        changed(ehr.EC384, kid=None),
        changed(ehr.EC384, use="enc", kid="enc"),
        changed(edwards),
        changed(ehr.EC384),
        changed(ehr.EC256, use=None),
        changed(ehr.RSA),
    ]
    found = usable_keys(json.dumps({"keys": listed}).encode())
    named = {name: listed[0][name] for name in ("crv", "kty", "x", "y")}
    digest = hashlib.sha256(json.dumps(named, separators=(",", ":")).encode()).digest()
    thumbprint = base64.urlsafe_b64encode(digest).decode().rstrip("=")
    assert {kid: key.kid for kid, key in found.items()} == {kid: kid for kid in (thumbprint, "ec384", "ec256", "rsa")}


def test_a_file_gives_its_keys_by_name(tmp_path: Path) -> None:
    path = tmp_path / "keys.json"
    path.write_text(ehr.key_set(ehr.EC384, ehr.RSA))
    held = FileKeys(path)
    found = [asyncio.run(held.find(kid)) for kid in ("ec384", "rsa", "other")]
    assert [None if key is None else key.kid for key in found] == ["ec384", "rsa", None]
    assert held.fetched


@pytest.mark.parametrize(("content", "said"), [(None, "cannot be read: No such file or directory"), (b"{}", None)])
def test_a_file_that_holds_no_keys_is_named(tmp_path: Path, content: bytes | None, said: str | None) -> None:
    path = tmp_path / "keys.json"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(KeySetError) as error:
        FileKeys(path)
    assert str(error.value) == f"{path}: {said or 'not a usable key set: KeyError'}"


# --- when a set is fetched -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "asked"), [(59, 1), (60, 2)])
def test_an_unknown_key_id_fetches_again_from_the_very_second_that_is_set(
    key_server: KeyServer, seconds: int, asked: int
) -> None:
    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        await keys.find("ec384")
        clock.now += seconds
        assert await keys.find("unknown") is None
        assert key_server.asked == asked
        await keys.refresh()
        assert key_server.asked == asked
        await keys.aclose()

    asyncio.run(work())


@pytest.mark.parametrize(("seconds", "asked"), [(3600, 1), (3600.5, 2)])
def test_a_known_key_is_fetched_again_when_the_set_is_older_than_is_set(
    key_server: KeyServer, seconds: float, asked: int
) -> None:
    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        await keys.find("ec384")
        clock.now += seconds
        assert await keys.find("ec384")
        assert key_server.asked == asked
        await keys.aclose()

    asyncio.run(work())


def test_a_set_that_cannot_be_had_serves_to_its_last_second_and_is_then_named(key_server: KeyServer) -> None:
    origin = f"http://127.0.0.1:{key_server.server_port}"

    async def work() -> None:
        clock = At()
        keys = keys_of(key_server, clock)
        assert (keys.fetched, keys.problem) == (False, None)
        await keys.find("ec384")
        assert (keys.fetched, keys.problem) == (True, None)
        key_server.status = 503
        clock.now += 86400
        assert await keys.find("ec384")
        assert (keys.fetched, keys.problem) == (True, "answered 503")
        clock.now += 0.5
        assert not keys.fetched
        with pytest.raises(KeySetError) as error:
            await keys.find("ec384")
        assert str(error.value) == f"the key set at {origin} cannot be had: answered 503"
        key_server.status = 200
        clock.now += 60
        assert await keys.find("ec384")
        assert (keys.fetched, keys.problem) == (True, None)
        await keys.aclose()

    asyncio.run(work())


@pytest.mark.parametrize(("late", "problem"), [(0.0, "no answer (ConnectError)"), (5.0, "no answer (TimeoutError)")])
def test_a_server_that_does_not_answer_in_time_is_given_up(
    monkeypatch: pytest.MonkeyPatch, late: float, problem: str
) -> None:
    monkeypatch.setattr(jwks, "_FETCH_SECONDS", 0.05)

    async def unknown(host: str, port: int) -> list[str]:
        await asyncio.sleep(late)
        raise OSError("no such name")

    async def work() -> None:
        keys = FetchedKeys("https://keys.example/x", SETTINGS, (), clock=At(), resolver=unknown)
        with pytest.raises(KeySetError) as error:
            await keys.find("ec384")
        assert str(error.value) == f"the key set at https://keys.example cannot be had: {problem}"
        await keys.aclose()

    asyncio.run(work())


def test_a_longer_set_than_256_kibibytes_is_not_read(key_server: KeyServer) -> None:
    body = key_server.body
    key_server.body = body + b" " * (262_144 - len(body))

    async def problem() -> str | None:
        keys = keys_of(key_server, At())
        await keys.refresh()
        await keys.aclose()
        return keys.problem

    assert asyncio.run(problem()) is None
    key_server.body += b" "
    assert asyncio.run(problem()) == "the answer is longer than 262144 bytes"


def test_a_fetch_asks_for_plain_json_of_its_server_alone_past_no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[dict[str, Any]] = []
    monkeypatch.setattr(httpx, "AsyncClient", lambda **given: made.append(given))
    networks = listed_networks(("10.0.0.0/8",), "x")
    FetchedKeys("https://keys.example/x", SETTINGS, networks)
    (given,) = made
    transport = given.pop("transport")
    assert isinstance(transport, PinnedTransport)
    assert transport.origin == Origin("https", "keys.example", 443)
    assert given == {
        "timeout": 3.0,
        "trust_env": False,
        "headers": {"accept": "application/json", "accept-encoding": "identity"},
    }


def test_each_fetched_set_of_a_client_is_looked_through_before_it_is_called_missing(
    key_server: KeyServer, tmp_path: Path
) -> None:
    """One set of two is down: a key of the other counts, and for a key of neither the caller is to come back."""
    right, down = f"http://127.0.0.1:{key_server.server_port}/keys", "http://localhost:9/keys"

    async def resolver(host: str, port: int) -> list[str]:
        if port == 9:
            raise OSError("no such name")
        return ["127.0.0.1"]

    async def work() -> None:
        clients = ehr.clients_file(tmp_path, keys_file=None, jku=[down, right])
        given = TrustSettings(trust="jwt", clients=clients, audiences=(ehr.BASE,), keys_refresh_seconds=45)
        networks = listed_networks(("127.0.0.0/8",), "x")
        trust = Trust(given, ehr.Remembered(), private_networks=networks, now=lambda: ehr.NOW, resolver=resolver)
        assert (await trust.check(ehr.call(ehr.token()))).issuer == ehr.ISS
        assert trust.missing_key_sets() == ["http://localhost:9"]
        with pytest.raises(NotTrusted) as refused:
            await trust.check(ehr.call(ehr.token(key=ehr.RSA, alg="RS384")))
        assert (refused.value.status, refused.value.reason, refused.value.retry_after) == (503, "key_set", 45)
        assert str(refused.value) == ("the key set at http://localhost:9 cannot be had: no answer (ConnectError)")
        with pytest.raises(NotTrusted) as refused:
            await trust.check(ehr.call(ehr.token(key=ehr.RSA, alg="RS384", header={"jku": right})))
        assert (refused.value.status, refused.value.reason) == (401, "key")
        assert str(refused.value) == "the token's kid is not in the key set of this client"
        await trust.aclose()

    asyncio.run(work())
