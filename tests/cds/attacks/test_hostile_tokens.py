"""Tokens that bring an address, a key or a demand of their own, sent to a service process as an attacker would."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import httpx
import pytest

from tests.cds import ehr
from tests.cds.hook_calls import MEASURED, order_sign
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

pytestmark = pytest.mark.slow
LISTED = "https://ehr.hospital.example/keys"


class Trap(ThreadingHTTPServer):
    """A key server of the attacker's, which notes every path that is fetched."""

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Trapped)
        self.fetched: list[str] = []

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"


class _Trapped(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        assert isinstance(self.server, Trap)
        self.server.fetched.append(self.path)
        body = ehr.key_set(ehr.STRANGER).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: Any) -> None:
        """Say nothing."""


@pytest.fixture(scope="module")
def trap() -> Iterator[Trap]:
    with Trap() as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        yield server
        server.shutdown()
        thread.join()


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveService]:
    folder = tmp_path_factory.mktemp("site")
    with running(
        NUQUE_TRUST="jwt",
        NUQUE_CLIENTS=str(ehr.clients_file(folder, jku=[LISTED])),
        NUQUE_AUDIENCES=ehr.BASE,
        NUQUE_PSEUDONYM_KEY="k" * 32,
        NUQUE_PRIVATE_NETWORKS="127.0.0.0/8",
        NUQUE_STORE_URL=f"sqlite:///{folder / 'store.sqlite3'}",
    ) as service:
        yield service


def claims(**changed: Any) -> dict[str, Any]:
    now = time.time()
    return ehr.claims(**{"iat": now, "exp": now + 120, **changed})


def status(live: LiveService, bearer: str) -> int:
    headers = {"Authorization": f"Bearer {bearer}"}
    return httpx.post(
        live.url + ehr.PATH, json=order_sign(*MEASURED), headers=headers, timeout=PATIENCE_SECONDS
    ).status_code


def test_no_address_that_a_token_brings_is_fetched(live: LiveService, trap: Trap) -> None:
    httpx.get(f"{trap.url}/seen", timeout=PATIENCE_SECONDS)
    assert trap.fetched == ["/seen"], "the trap works"
    for header in ({"jku": f"{trap.url}/jku"}, {"x5u": f"{trap.url}/x5u"}, {"jku": f"{LISTED}@{trap.url[7:]}/at"}):
        assert status(live, ehr.token(claims(), key=ehr.STRANGER, header=header)) == 401
    assert status(live, ehr.token(claims(), header={"x5u": f"{trap.url}/x5u"})) == 200, "ignored, with the right key"
    assert trap.fetched == ["/seen"]


def test_a_key_that_a_token_brings_opens_nothing(live: LiveService) -> None:
    own = {"jwk": ehr.STRANGER.as_dict(private=False)}
    assert status(live, ehr.token(claims(), key=ehr.STRANGER, header=own)) == 401
    assert status(live, ehr.token(claims(), key=ehr.STRANGER, header={**own, "kid": "own"})) == 401
    assert status(live, ehr.token(claims(), header=own)) == 200


@pytest.mark.parametrize("crit", [["b64"], ["exp"], ["urn:x:unknown"], [], "b64", None, {}])
def test_a_token_with_a_critical_extension_is_refused(live: LiveService, crit: object) -> None:
    assert status(live, ehr.with_header(claims(), crit=crit, exp=1)) == 401


def test_the_jku_that_the_client_lists_beside_its_key_file_is_accepted(live: LiveService) -> None:
    assert status(live, ehr.token(claims(), header={"jku": LISTED})) == 200
    assert status(live, ehr.token(claims(), header={"jku": LISTED + "/"})) == 401


def test_a_tenant_that_nobody_listed_is_refused_by_default(live: LiveService) -> None:
    assert status(live, ehr.token(claims(tenant="north"))) == 403
