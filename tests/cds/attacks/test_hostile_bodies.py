"""Bodies that are made to fill memory or the processor of the running service: everybody else goes on being answered."""

import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from urllib.parse import urlsplit

import httpx
import pytest

from tests.cds.attacks.processor import processor_seconds
from tests.cds.attacks.service_monitor import MOST_MEMORY_BYTES, ServiceMonitor
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

UNITS = {"lists": b"[],", "objects": b"{},", "texts": b'"a",', "numbers": b"1,", "both": b'{"a":[]},'}


@pytest.fixture(scope="module")
def live(store_url: str) -> Iterator[LiveService]:
    with running() as started:
        yield started


def send(url: str, body: bytes, path: str = "/decisions", **headers: str) -> tuple[int, bytes]:
    """POST by the standard library: httpx reads what the tests send, which takes long and would hold the watch up."""
    address = urlsplit(url)
    connection = HTTPConnection(address.hostname or "", address.port, timeout=PATIENCE_SECONDS)
    try:
        connection.request("POST", path, body, {"Content-Type": "application/json", **headers})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def many_values(unit: bytes) -> bytes:
    """Facts nearly as long as a body may be, with ``unit`` again and again."""
    return b'{"facts": {"a": [' + unit * (15_900_000 // len(unit)) + b"1]}}"


def held_back(url: str, **headers: str) -> bytes:
    """Send most of a long body and wait; gives the answer."""
    address = urlsplit(url)
    sent = {"Host": "127.0.0.1", "Content-Type": "application/json", "Content-Length": "15900000", **headers}
    head = "POST /decisions HTTP/1.1\r\n" + "".join(f"{name}: {value}\r\n" for name, value in sent.items()) + "\r\n"
    with socket.create_connection((address.hostname, address.port), timeout=PATIENCE_SECONDS) as held:
        try:
            held.sendall(head.encode() + b" " * 15_000_000)
            return held.recv(1000)
        except OSError:  # Refused while it was still being sent.
            return b"refused"


def decides(live: LiveService) -> bool:
    return (
        httpx.post(f"{live.url}/decisions", json={"facts": {"age_years": 40}}, timeout=PATIENCE_SECONDS).status_code
        == 200
    )


@pytest.fixture(scope="module")
def blank(live: LiveService) -> float:
    """The processor time for a body of the same length with next to nothing in it."""
    before = processor_seconds(live)
    assert send(live.url, b'{"facts": {}}' + b" " * 15_900_000)[0] == 200
    return processor_seconds(live) - before


@pytest.mark.parametrize("unit", UNITS.values(), ids=UNITS)
def test_a_body_of_millions_of_values_holds_nobody_up(live: LiveService, blank: float, unit: bytes) -> None:
    body = many_values(unit)
    before = processor_seconds(live)
    with ServiceMonitor(live) as watch:
        status, said = send(live.url, body)
    assert (status, b"values" in said) == (400, True), said[:300]
    assert processor_seconds(live) - before < 3 * blank + 1
    assert (watch.most_memory < MOST_MEMORY_BYTES, watch.unwell) == (True, [])
    assert decides(live)


def test_bodies_that_are_held_back_fill_no_memory_and_are_told_to_come_again(live: LiveService) -> None:
    with ServiceMonitor(live) as watch, ThreadPoolExecutor(30) as pool:
        sent = pool.map(held_back, [live.url] * 30)
        time.sleep(3)
        assert decides(live)
        answers = list(sent)
    told = [answer for answer in answers if b" 503 " in answer and b"retry-after" in answer.lower()]
    assert told or b"refused" in answers
    assert (watch.most_memory < MOST_MEMORY_BYTES, watch.unwell) == (True, [])
    assert decides(live)
