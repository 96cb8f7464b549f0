"""Key sets of clients, fetched from a real server on this machine."""

import asyncio
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.security.caller import NotTrusted
from cds.security.jwks import FetchedKeys, KeySetError
from cds.security.jwt_auth import Trust
from cds.security.ssrf_guard import listed_networks
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
