"""Answers of a real server that no route gives: they name the rule set like every other."""

import socket
import time
from collections.abc import Iterator

import httpx
import pytest

from tests.cds.faults.processes import FaultyFhir
from tests.cds.faults.test_faults import SELECT, stopped_while_answering
from tests.cds.live_service import LiveService, running

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("faults")]

SLOW_BODY = (
    f"POST {SELECT} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{{"
)


@pytest.fixture(scope="module")
def live() -> Iterator[LiveService]:
    with running(NUQUE_CONCURRENT_CALLS="2", NUQUE_BODY_SECONDS="30") as started:
        yield started


def connected(live: LiveService) -> socket.socket:
    host, port = live.url.removeprefix("http://").split(":")
    return socket.create_connection((host, int(port)), timeout=20)


def answer_to(live: LiveService, sent: bytes) -> tuple[bytes, dict[str, str]]:
    """Status line and headers of what is answered before the connection closes."""
    with connected(live) as connection:
        connection.sendall(sent)
        parts = []
        while part := connection.recv(10_000):
            parts.append(part)
    head, _, body = b"".join(parts).partition(b"\r\n\r\n")
    status, *lines = head.split(b"\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.decode().partition(":") for line in lines)}
    assert int(headers["content-length"]) == len(body)
    return status, headers


@pytest.mark.parametrize(
    "sent",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03 this is TLS\r\n\r\n",
        b"nonsense\r\n\r\n",
        b"GET /health/live HTTP/1.1\r\n\r\n",  # Without a Host.
        b"GET /health/live HTTP/1.1\r\nHost: x\r\nX: " + b"x" * 20_000,  # And no end in sight.
        SLOW_BODY.replace("Content-Length: 1000", "Transfer-Encoding: chunked").encode() + b"no length\r\n",
        b"POST /decisions HTTP/1.1\r\nHost: x\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    ],
    ids=["tls", "nonsense", "no host", "long head", "broken chunk", "two lengths"],
)
def test_what_is_no_http_is_refused_with_the_ruleset_named(live: LiveService, sent: bytes) -> None:
    status, headers = answer_to(live, sent)
    assert status == b"HTTP/1.1 400 Bad Request"
    assert headers["nuque-ruleset"] == httpx.get(f"{live.url}/health/live").headers["nuque-ruleset"]


def test_one_call_too_many_is_told_to_come_back(live: LiveService) -> None:
    idle = [connected(live) for _ in range(20)]
    assert httpx.get(f"{live.url}/cds-services").status_code == 200, "connections that ask nothing count for nothing"
    slow = [connected(live) for _ in range(2)]
    for connection in slow:
        connection.sendall(SLOW_BODY.encode())
    refused = _until(lambda: httpx.get(f"{live.url}/cds-services"), 503)
    assert refused.headers["Nuque-Ruleset"] and refused.headers["Retry-After"] == "1"
    assert refused.json()["issue"][0]["code"] == "throttled"
    assert httpx.get(f"{live.url}/health/live").status_code == 200, "a full house is not a dead one"
    for connection in (*idle, *slow):
        connection.close()
    _until(lambda: httpx.get(f"{live.url}/cds-services"), 200)


def _until(call, status: int) -> httpx.Response:  # type: ignore[no-untyped-def]
    for _ in range(100):
        answer = call()
        if answer.status_code == status:
            return answer
        time.sleep(0.05)
    pytest.fail(f"never answered {status}, but {answer.status_code}")


def test_what_cannot_be_finished_before_the_end_is_said_to_be_undecided(fhir: FaultyFhir) -> None:
    fhir.break_as("slow")
    environment = {
        "NUQUE_FHIR_SERVERS": fhir.origin,
        "NUQUE_PRIVATE_NETWORKS": "127.0.0.0/8",
        "NUQUE_FETCH_BUDGET_SECONDS": "9",
        "NUQUE_SHUTDOWN_SECONDS": "1",
    }
    with running(**environment) as live:
        answer = stopped_while_answering(live, fhir)
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "5")
    assert answer.headers["Nuque-Ruleset"]
    assert "stopping" in answer.text
