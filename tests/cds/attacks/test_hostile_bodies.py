"""Bodies that are made to fill memory or the processor of the running service: everybody else goes on being answered."""

import socket
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from urllib.parse import urlsplit

import httpx
import pytest

from tests.cds.attacks.processor import processor_seconds
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

MOST_MEMORY_BYTES = 600 << 20


@pytest.fixture(scope="module")
def live(store_url: str) -> Iterator[LiveService]:
    with running() as started:
        yield started


class Watch:
    """Memory of a service, whose health is asked for again and again, while something is done to it."""

    def __init__(self, live: LiveService) -> None:
        self._live, self._ended = live, threading.Event()
        self.most_memory = 0.0
        self._thread = threading.Thread(target=self._watch)

    def _watch(self) -> None:
        while not self._ended.is_set():
            assert httpx.get(f"{self._live.url}/health/live", timeout=PATIENCE_SECONDS).status_code == 200
            self.most_memory = max(self.most_memory, memory(self._live))
            time.sleep(0.05)

    def __enter__(self) -> "Watch":
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ended.set()
        self._thread.join()


def memory(live: LiveService) -> float:
    """Resident memory of the process (proc(5), VmRSS in kB)."""
    with open(f"/proc/{live.process.pid}/status") as status:
        return next(float(line.split()[1]) for line in status if line.startswith("VmRSS")) * 1024


def send(live: LiveService, body: bytes) -> tuple[int, bytes]:
    """POST by the standard library: httpx reads what the tests send, which takes long and would hold the watch up."""
    address = urlsplit(live.url)
    connection = HTTPConnection(address.hostname or "", address.port, timeout=PATIENCE_SECONDS)
    try:
        connection.request("POST", "/decisions", body, {"Content-Type": "application/json"})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def decides(live: LiveService) -> bool:
    return (
        httpx.post(f"{live.url}/decisions", json={"facts": {"age_years": 40}}, timeout=PATIENCE_SECONDS).status_code
        == 200
    )


@pytest.fixture(scope="module")
def blank(live: LiveService) -> float:
    """The processor time for a body of the same length with next to nothing in it."""
    before = processor_seconds(live)
    assert send(live, b'{"facts": {}}' + b" " * 15_900_000)[0] == 200
    return processor_seconds(live) - before


@pytest.mark.parametrize(
    "unit", [b"[],", b"{},", b'"a",', b"1,", b'{"a":[]},'], ids=["lists", "objects", "texts", "numbers", "both"]
)
def test_a_body_of_millions_of_values_holds_nobody_up(live: LiveService, blank: float, unit: bytes) -> None:
    body = b'{"facts": {"a": [' + unit * (15_900_000 // len(unit)) + b"1]}}"
    before = processor_seconds(live)
    with Watch(live) as watch:
        status, said = send(live, body)
    assert (status, b"values" in said) == (400, True), said[:300]
    assert processor_seconds(live) - before < 3 * blank + 1
    assert watch.most_memory < MOST_MEMORY_BYTES
    assert decides(live)


def test_bodies_that_are_held_back_fill_no_memory_and_are_told_to_come_again(live: LiveService) -> None:
    address = urlsplit(live.url)
    head = b"POST /decisions HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: 15900000\r\n\r\n"

    def hold(_: int) -> bytes:
        with socket.create_connection((address.hostname, address.port), timeout=PATIENCE_SECONDS) as held:
            try:
                held.sendall(head + b" " * 15_000_000)
                return held.recv(1000)
            except OSError:  # Refused while it was still being sent.
                return b"refused"

    with Watch(live) as watch, ThreadPoolExecutor(30) as pool:
        sent = pool.map(hold, range(30))
        time.sleep(3)
        assert decides(live)
        answers = list(sent)
    told = [answer for answer in answers if b" 503 " in answer and b"retry-after" in answer.lower()]
    assert told or b"refused" in answers
    assert watch.most_memory < MOST_MEMORY_BYTES
    assert decides(live)
