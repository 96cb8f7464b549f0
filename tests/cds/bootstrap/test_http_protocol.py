"""Answers of a real server that no route gives: they name the rule set like every other."""

import re
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack

import httpx
import pytest

from tests.cds.faults.processes import FaultyFhir
from tests.cds.faults.test_faults import SELECT, stopped_while_answering
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

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
    return socket.create_connection((host, int(port)), timeout=PATIENCE_SECONDS)


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


CHUNKED = SLOW_BODY.replace("Content-Length: 1000", "Transfer-Encoding: chunked").encode()[:-1]
POST = b"POST /decisions HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"

NO_HTTP = {
    "tls": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03 this is TLS\r\n\r\n",
    "nonsense": b"nonsense\r\n\r\n",
    "no version": b"GET /health/live\r\n\r\n",
    "HTTP/2": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "no host": b"GET /health/live HTTP/1.1\r\n\r\n",
    "two hosts": b"GET /health/live HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
    "endless head": b"GET /health/live HTTP/1.1\r\nHost: x\r\nX: " + b"x" * 20_000,
    "long head": b"GET /health/live HTTP/1.1\r\nHost: x\r\nX: " + b"x" * 20_000 + b"\r\n\r\n",
    "many headers": b"GET /health/live HTTP/1.1\r\nHost: x\r\n" + b"X: y\r\n" * 9_000 + b"\r\n",
    "folded header": b"GET /health/live HTTP/1.1\r\nHost: x\r\nX: y\r\n z\r\n\r\n",
    "space before colon": b"GET /health/live HTTP/1.1\r\nHost : x\r\n\r\n",
    "LF alone": b"GET /health/live HTTP/1.1\nHost: x\n\n",
    "NUL": b"GET /health/live HTTP/1.1\r\nHost: x\x00y\r\n\r\n",
    "broken chunk": CHUNKED + b"no length\r\n",
    "two kinds of length": POST + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "the other way round": POST + b"Transfer-Encoding: chunked\r\nContent-Length: 4\r\n\r\n0\r\n\r\n",
    "two lengths": POST + b"Content-Length: 2\r\nContent-Length: 3\r\n\r\n{}",
    "compressed on the way": POST + b"Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n",
    "compressed, in two lines": POST + b"Transfer-Encoding: gzip\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
    "in pieces twice": POST + b"Transfer-Encoding: chunked, chunked\r\n\r\n0\r\n\r\n",
    "unknown coding": POST + b"Transfer-Encoding: xchunked\r\n\r\n0\r\n\r\n",
}
"""Each is refused, or it could pass one reader's checks and mean something else to another (RFC 9112, sections 2, 3, 5 and 6)."""


UNKNOWN_CODINGS = {"compressed on the way", "compressed, in two lines"}
"""Understood, and not done here: RFC 9112, 6.1, asks for 501."""


@pytest.mark.parametrize("kind", NO_HTTP)
def test_what_is_no_http_is_refused_with_the_ruleset_named(live: LiveService, kind: str) -> None:
    status, headers = answer_to(live, NO_HTTP[kind])
    assert status == (b"HTTP/1.1 501 Not Implemented" if kind in UNKNOWN_CODINGS else b"HTTP/1.1 400 Bad Request")
    health = httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS)
    assert headers["nuque-ruleset"] == health.headers["nuque-ruleset"]


@pytest.mark.parametrize(
    "begun", [CHUNKED + b"1;", CHUNKED + b"1\r\n{\r\n0\r\nX: "], ids=["chunk extension", "trailer"]
)
def test_what_has_no_end_beside_a_body_is_cut_off(live: LiveService, begun: bytes) -> None:
    most = 50_000_000  # More than the buffers of the system hold.
    with connected(live) as connection, pytest.raises(OSError):
        connection.sendall(begun)
        for _ in range(most // 10_000):
            connection.sendall(b"x" * 10_000)


HEAD_OF_DECISION = POST + b"Transfer-Encoding: chunked\r\n"
CHUNKS = b'e\r\n{"facts": {}} \r\n0\r\n'


def answers_to(live: LiveService, sent: bytes) -> list[bytes]:
    """The status lines of all that comes before the connection closes."""
    with connected(live) as connection:
        connection.sendall(sent)
        parts = []
        while part := connection.recv(10_000):
            parts.append(part)
    return re.findall(rb"HTTP/1.1 \d{3}", b"".join(parts))


def test_what_comes_behind_a_whole_call_does_not_take_its_answer(live: LiveService) -> None:
    whole = b"GET /health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    assert answers_to(live, whole + b"nonsense\r\n\r\n") == [b"HTTP/1.1 200"]
    assert (
        answers_to(live, whole + whole.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n")) == [b"HTTP/1.1 200"] * 2
    )


def test_a_trailer_is_no_header(live: LiveService) -> None:
    """As a header this one would be refused with 415."""
    close = b"Connection: close\r\n\r\n"
    assert answers_to(live, HEAD_OF_DECISION + close + CHUNKS + b"Content-Encoding: gzip\r\n\r\n") == [b"HTTP/1.1 200"]
    assert answers_to(live, HEAD_OF_DECISION + b"Content-Encoding: gzip\r\n" + close + CHUNKS + b"\r\n") == [
        b"HTTP/1.1 415"
    ]


def test_a_call_that_would_change_the_protocol_is_answered_and_is_the_last(live: LiveService) -> None:
    head = POST + b"Connection: Upgrade\r\nUpgrade: h2c\r\nContent-Length: 13\r\n\r\n"
    assert answers_to(live, head + b'{"facts": {}}' + b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n") == [b"HTTP/1.1 200"]


def test_one_call_too_many_is_told_to_come_back(live: LiveService) -> None:
    services = f"{live.url}/cds-services"
    with ExitStack() as opened:
        for _ in range(20):
            opened.enter_context(connected(live))
        answer = httpx.get(services, timeout=PATIENCE_SECONDS)
        assert answer.status_code == 200, "connections that ask nothing count for nothing"
        for _ in range(2):
            opened.enter_context(_let_in(live))
        refused = httpx.get(services, timeout=PATIENCE_SECONDS)
        assert refused.status_code == 503
        assert refused.headers["Nuque-Ruleset"] and refused.headers["Retry-After"] == "1"
        assert refused.json()["issue"][0]["code"] == "throttled"
        health = httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS)
        assert health.status_code == 200, "a full house is not a dead one"
    _until(lambda: httpx.get(services, timeout=PATIENCE_SECONDS), 200)


def _let_in(live: LiveService) -> socket.socket:
    """The connection of a call that is inside, as the server has asked for its body, which does not come.

    A call that was answered just before may still be inside, and this one be refused: it is made again.
    """
    for _ in range(100):
        connection = connected(live)
        connection.sendall(SLOW_BODY.replace("\r\n\r\n", "\r\nExpect: 100-continue\r\n\r\n").removesuffix("{").encode())
        if connection.recv(1000).startswith(b"HTTP/1.1 100"):
            return connection
        connection.close()
        time.sleep(0.05)
    pytest.fail("never let in")


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
