"""HTTPS to a real server on this machine: the address is pinned, and the certificate is still checked against the name.

The certificates come from an authority of the tests, which the process is told to trust as a site would tell it
(``SSL_CERT_FILE``). RFC 6125 says what a certificate must name; RFC 6066, section 3, what the client names (SNI).
"""

from __future__ import annotations

import asyncio
import json
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import pytest
import trustme

from cds.security.jwks import FetchedKeys, KeySetError
from cds.security.ssrf_guard import Origin, PinnedTransport, listed_networks
from cds.settings import TrustSettings
from tests.cds import ehr
from tests.cds.faults.fhir_server import PATIENT, TOKEN
from tests.cds.fhir_client.test_client import READ, fetch, hook_request, settings

NAME = "ehr.hospital.example"
LOOPBACK = listed_networks(("127.0.0.0/8",), "x")


class Server(ThreadingHTTPServer):
    """Answers each GET with ``body``; remembers the names asked for in TLS and the requests that came through."""

    daemon_threads = True
    body = json.dumps({"resourceType": "Patient", "id": PATIENT}).encode()

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.names: list[str | None] = []
        self.requests: list[dict[str, str]] = []

    @property
    def url(self) -> str:
        return f"https://{NAME}:{self.server_port}"

    def handle_error(self, request: object, client_address: object) -> None:
        """A client that breaks the handshake off is what some tests are about."""


class Handler(BaseHTTPRequestHandler):
    server: Server

    def do_GET(self) -> None:
        self.server.requests.append({name.lower(): value for name, value in self.headers.items()})
        self.send_response(200)
        self.send_header("Content-Length", str(len(self.server.body)))
        self.end_headers()
        self.wfile.write(self.server.body)

    def log_message(self, format: str, *args: object) -> None:
        pass


@contextmanager
def serving(certificate: trustme.LeafCert) -> Iterator[Server]:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.configure_cert(context)
    with Server() as server:
        context.sni_callback = lambda connection, name, _: server.names.append(name)
        server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield server
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(autouse=True)
def trusted(authority: trustme.CA, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    authority.cert_pem.write_to_path(str(tmp_path / "authority.pem"))
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "authority.pem"))


async def this_machine(host: str, port: int) -> list[str]:
    return ["127.0.0.1"]


def got(server: Server) -> httpx.Response:
    async def work() -> httpx.Response:
        transport = PinnedTransport(Origin.of(server.url), LOOPBACK, resolver=this_machine)
        async with httpx.AsyncClient(transport=transport, trust_env=False) as client:
            return await client.get(server.url)

    return asyncio.run(work())


def test_the_pinned_address_is_called_under_the_name_of_the_server(authority: trustme.CA) -> None:
    with serving(authority.issue_cert(NAME)) as server:
        answer = got(server)
    assert (answer.status_code, answer.content) == (200, Server.body)
    assert server.names == [NAME]
    assert [request["host"] for request in server.requests] == [f"{NAME}:{server.server_port}"]


WRONG: dict[str, Callable[[trustme.CA], trustme.LeafCert]] = {
    "another name": lambda authority: authority.issue_cert("other.hospital.example"),
    "the address instead of the name": lambda authority: authority.issue_cert("127.0.0.1"),
    "a name above": lambda authority: authority.issue_cert("hospital.example"),
    "expired": lambda authority: authority.issue_cert(NAME, not_after=datetime(2020, 1, 1, tzinfo=UTC)),
    "an authority that nobody trusts": lambda authority: trustme.CA().issue_cert(NAME),
}


@pytest.mark.parametrize("certificate", WRONG.values(), ids=WRONG)
def test_a_wrong_certificate_ends_the_call_before_anything_is_sent(
    authority: trustme.CA, certificate: Callable[[trustme.CA], trustme.LeafCert]
) -> None:
    with (
        serving(certificate(authority)) as server,
        pytest.raises(httpx.ConnectError, match="CERTIFICATE_VERIFY_FAILED"),
    ):
        got(server)
    assert server.requests == []


def test_a_fhir_server_is_read_by_https(authority: trustme.CA) -> None:
    with serving(authority.issue_cert(NAME)) as server:
        (answer,) = fetch(hook_request(f"{server.url}/fhir"), {"p": READ}, settings(server.url), resolver=this_machine)
    assert answer.failed == {}
    assert [resource["id"] for resource in answer.found["p"]] == [PATIENT]
    assert [request["authorization"] for request in server.requests] == [f"Bearer {TOKEN}"]


def test_an_impostor_of_a_fhir_server_gets_no_token(authority: trustme.CA) -> None:
    with serving(authority.issue_cert("other.hospital.example")) as server:
        (answer,) = fetch(hook_request(f"{server.url}/fhir"), {"p": READ}, settings(server.url), resolver=this_machine)
    assert answer.found == {} and "no answer" in answer.failed["p"]
    assert server.requests == []


def keys_at(server: Server) -> FetchedKeys:
    server.body = ehr.key_set(ehr.EC384).encode()
    return FetchedKeys(f"{server.url}/keys", TrustSettings(), LOOPBACK, resolver=this_machine)


async def found(keys: FetchedKeys) -> str | None:
    try:
        key = await keys.find("ec384")
    finally:
        await keys.aclose()
    return None if key is None else key.kid


def test_a_key_set_is_fetched_by_https(authority: trustme.CA) -> None:
    with serving(authority.issue_cert(NAME)) as server:
        assert asyncio.run(found(keys_at(server))) == "ec384"


def test_a_key_set_of_an_impostor_is_not_used(authority: trustme.CA) -> None:
    with (
        serving(authority.issue_cert("other.hospital.example")) as server,
        pytest.raises(KeySetError, match="ConnectError"),
    ):
        asyncio.run(found(keys_at(server)))
    assert server.requests == []
