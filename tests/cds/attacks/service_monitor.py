"""Memory and health of the running service, looked at again and again while something is done to it."""

import threading
import time
from http.client import HTTPConnection, HTTPException
from urllib.parse import urlsplit

from tests.cds.live_service import PATIENCE_SECONDS, LiveService

MOST_MEMORY_BYTES = 600 << 20


class ServiceMonitor:
    """The highest memory of a service, and how long its health took to be told at worst, each time by a new connection."""

    def __init__(self, live: LiveService) -> None:
        self._live, self._ended = live, threading.Event()
        self.most_memory = self.slowest_health = 0.0
        self.asked = 0
        self.unwell: list[str] = []
        self._thread = threading.Thread(target=self._watch)

    def _watch(self) -> None:
        while not self._ended.is_set():
            started = time.perf_counter()
            if (told := self._health()) != "200":
                self.unwell.append(told)
            self.slowest_health = max(self.slowest_health, time.perf_counter() - started)
            self.asked += 1
            self.most_memory = max(self.most_memory, memory(self._live))
            time.sleep(0.05)

    def _health(self) -> str:
        address = urlsplit(self._live.url)
        connection = HTTPConnection(address.hostname or "", address.port, timeout=PATIENCE_SECONDS)
        try:
            connection.request("GET", "/health/live")
            return str(connection.getresponse().status)
        except (OSError, HTTPException) as error:
            return type(error).__name__
        finally:
            connection.close()

    def __enter__(self) -> "ServiceMonitor":
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ended.set()
        self._thread.join()


def memory(live: LiveService) -> float:
    """Resident memory of the process (proc(5), VmRSS in kB)."""
    with open(f"/proc/{live.process.pid}/status") as status:
        return next(float(line.split()[1]) for line in status if line.startswith("VmRSS")) * 1024
