"""What is done to the service and to its store, each with the time that it took.

Times are seconds of the monotonic clock, as in ``callers``.
"""

from __future__ import annotations

import os
import signal
import socket
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path

import psutil
import sqlalchemy as sa

from tests.cds.content_folder import soon_checked, write_version
from tests.cds.live_service import AS_DEPLOYED, CHECK_SECONDS, LiveService, running
from tests.cds.storage.databases import locked, restarted, stopped
from tests.outages.callers import exchange

WORKERS = 2
ADMIN = "a" * 40
_PATIENCE_SECONDS = 120.0
_LOOKS = 24
"""Health is asked so often, so that it is both workers that say so (each answers about half of the calls)."""


@dataclass(frozen=True)
class Span:
    """A time from which to which something was so."""

    began: float
    ended: float

    def meets(self, began: float, ended: float) -> bool:
        """Whether any of it lies between ``began`` and ``ended``."""
        return self.began <= ended and began <= self.ended


@dataclass
class Times:
    """When what could change an answer was so."""

    killed: list[Span] = field(default_factory=list)
    """From before a kill to after it: calls in progress at that process end without an answer."""
    ended: list[Span] = field(default_factory=list)
    """From before the service was stopped or killed until it ran again."""
    replaced: list[Span] = field(default_factory=list)
    """From before a worker was killed until another was at its place."""
    troubled: list[Span] = field(default_factory=list)
    """While the store could not be used."""
    unsaid: list[Span] = field(default_factory=list)
    """From before the store could not be used until readiness of all workers said that it can be."""
    at_risk: list[Span] = field(default_factory=list)
    """Answered in that time, a card may have no row: its process was killed, or stopped while the store was down."""


class NotAsMeant(Exception):
    """Something that is waited for did not come."""


def eventually(what: str, is_so: Callable[[], object]) -> None:
    """Wait for ``is_so``. Raises NotAsMeant."""
    give_up = time.monotonic() + _PATIENCE_SECONDS
    while not is_so():
        if time.monotonic() > give_up:
            raise NotAsMeant(what)
        time.sleep(0.1)


def _lives(process: psutil.Process) -> bool:
    """Whether ``process`` has not ended; one that has ended and waits to be collected (a zombie) has closed its files."""
    try:
        return bool(process.is_running() and process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


class Served:
    """``nuque serve`` with two workers at one address, which is started and ended again and again."""

    def __init__(self, store_url: str, folder: Path, clients: Path, contents: tuple[str, ...]) -> None:
        """With its store at ``store_url``. ``contents``: versions of the content, changed at reloads; none: as shipped."""
        self.times = Times()
        self.memory: list[int] = []
        """Of the largest worker at the end of each round, in kB."""
        self._mark = uuid.uuid4().hex
        self._contents, self._reloads = contents, 0
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{port}"
        self._options = ["--workers", str(WORKERS), "--port", str(port)]
        self._environment = {
            "NUQUE_STORE_URL": store_url,
            "NUQUE_STORE_RETRY_SECONDS": "0.5",
            "NUQUE_TRUST": "jwt",
            "NUQUE_CLIENTS": str(clients),
            "NUQUE_AUDIENCES": "https://cds.hospital.example",
            "NUQUE_PSEUDONYM_KEY": "k" * 32,
            "NUQUE_ADMIN_TOKEN": ADMIN,
            "NUQUE_CALLS_PER_MINUTE": "60000",
            "PROCESS_MARK": self._mark,
            **AS_DEPLOYED,
        }
        if contents:
            self._knowledge = soon_checked(folder)
            write_version(self._knowledge, contents[0])
            self._options += ["--knowledge", str(self._knowledge)]
        self._opened = ExitStack()
        self.live: LiveService

    def start(self) -> None:
        """Until it runs."""
        self._opened = ExitStack()
        self.live = self._opened.enter_context(running(*self._options, **self._environment))

    def close(self) -> None:
        """Stop, and see that nothing is left."""
        self.live.process.terminate()
        self.live.process.wait(_PATIENCE_SECONDS)
        self.nothing_is_left()
        self._opened.close()

    def workers(self) -> list[psutil.Process]:
        """Those that are alive."""
        return list(filter(_lives, psutil.Process(self.live.process.pid).children()))

    def nothing_is_left(self) -> None:
        """Wait until all processes have ended that were ever started here; those that do not are killed. Raises NotAsMeant."""
        try:
            eventually("a process is left behind", lambda: not self.left())
        except NotAsMeant:
            for process in self.left():
                os.kill(process, signal.SIGKILL)
            raise

    def left(self) -> list[int]:
        """Processes that were started here, or by those, and are alive."""
        found = []
        for process in psutil.process_iter():
            with suppress(psutil.NoSuchProcess, psutil.AccessDenied, OSError):
                if process.environ().get("PROCESS_MARK") == self._mark:
                    found.append(process.pid)
        return found

    def readiness(self) -> str:
        """What readiness says of the store: "ready", "trouble", or how it ended without an answer."""
        outcome, body, _ = exchange(self.url, "/health/ready", None, {})
        if outcome in ("200", "503"):
            return "trouble" if b'"store"' in body else "ready" if outcome == "200" else body.decode()
        return outcome

    def is_ready(self) -> bool:
        """Whether all workers say so."""
        return all(self.readiness() == "ready" for _ in range(_LOOKS))

    def _is_alive(self) -> bool:
        return all(exchange(self.url, "/health/live", None, {})[0] == "200" for _ in range(_LOOKS))

    def weigh(self) -> None:
        """Note the memory of the largest worker."""
        self.memory.append(max(one.memory_info().rss for one in self.workers()) // 1024)

    # --- what is done to it

    def kill_a_worker(self) -> None:
        """One of two is killed, and another takes its place."""
        victim, began = min(self.workers(), key=lambda one: one.pid), time.monotonic()
        victim.kill()
        eventually("a killed worker lives", lambda: victim.pid not in {one.pid for one in self.workers()})
        self.times.killed.append(Span(began, time.monotonic()))

        def is_replaced() -> bool:
            pids = {one.pid for one in self.workers()}
            return len(pids) == WORKERS and victim.pid not in pids

        eventually("a killed worker is not replaced", is_replaced)
        eventually("not all workers are alive", self._is_alive)
        self.times.replaced.append(Span(began, time.monotonic()))

    def kill_all(self) -> None:
        """All processes are killed at once, and the service is started again."""
        parent = psutil.Process(self.live.process.pid)
        processes, began = [parent, *parent.children(recursive=True)], time.monotonic()
        for process in processes:
            with suppress(psutil.NoSuchProcess):
                process.kill()
        self.live.process.wait(_PATIENCE_SECONDS)
        # One that is dying has no environment any more, by which others are found, and still has its sockets for a while.
        eventually("a killed process lives", lambda: not any(map(_lives, processes)))
        self.nothing_is_left()
        self.times.killed.append(Span(began, time.monotonic()))
        self._again(began)

    def kill_the_watcher(self) -> None:
        """The process that watches over the workers is killed; they stop, and the service is started again."""
        began = time.monotonic()
        self.live.process.kill()
        self._again(began)

    def stop(self) -> None:
        """The service is asked to stop, and is started again when it has."""
        began = time.monotonic()
        self.live.process.terminate()
        self._again(began)

    def _again(self, began: float) -> None:
        self.live.process.wait(_PATIENCE_SECONDS)
        self.nothing_is_left()
        crashed = [line for line in list(self.live.said) if "worker did not end as told" in line]
        if crashed:
            raise NotAsMeant(f"at a stop: {crashed}")
        self._opened.close()
        self.start()
        self.times.ended.append(Span(began, time.monotonic()))

    def reload_by_signal(self) -> None:
        """SIGHUP to the process that watches over the workers."""
        self._change_content()
        before = self._count("reloaded")
        os.kill(self.live.process.pid, signal.SIGHUP)
        self._wait_for_reload(before)

    def reload_by_request(self) -> None:
        """The call that reloads, to one of the workers."""
        self._change_content()
        before = self._count("reloaded")
        outcome, body, _ = exchange(self.url, "/admin/reload", b"", {"Authorization": f"Bearer {ADMIN}"})
        if outcome not in ("200", "no answer"):
            raise NotAsMeant(f"a reload by request: {outcome} {body[:300]!r}")
        self._wait_for_reload(before)

    def _change_content(self) -> None:
        if self._contents:
            self._reloads += 1
            write_version(self._knowledge, self._contents[self._reloads % len(self._contents)])

    def _count(self, event: str) -> int:
        return sum(f'"{event}"' in line for line in list(self.live.said))

    def _wait_for_reload(self, before: int) -> None:
        give_up = time.monotonic() + CHECK_SECONDS
        while self._count("reloaded") < before + WORKERS:
            if time.monotonic() > give_up or self._count("reload refused"):
                raise NotAsMeant("a reload does not reach both workers")
            time.sleep(0.1)

    def leave(self) -> None:
        """Nothing is done."""


EVENTS: dict[str, Callable[[Served], None]] = {
    "nothing": Served.leave,
    "a worker killed": Served.kill_a_worker,
    "all killed": Served.kill_all,
    "the watcher killed": Served.kill_the_watcher,
    "stopped": Served.stop,
    "reloaded by a signal": Served.reload_by_signal,
    "reloaded by request": Served.reload_by_request,
}
"""What is done to the processes of the service."""
LOSES_AT_ONCE = {"a worker killed", "all killed"}
LOSES_WITHOUT_STORE = {"the watcher killed", "stopped"}


def troubles(url: str) -> dict[str, Callable[[], object]]:
    """What is done to the store at ``url``: contexts that give nothing, and in which it can be used again when left."""
    parsed = sa.make_url(url)
    if parsed.get_backend_name() == "sqlite":
        return {"nothing": nullcontext, "locked": lambda: locked(Path(str(parsed.database)))}
    return {
        "nothing": nullcontext,
        "frozen": lambda: stopped(url),
        "restarted": lambda: _restarted(url),
    }


@contextmanager
def _restarted(url: str) -> Iterator[None]:
    restarted(url)
    yield
