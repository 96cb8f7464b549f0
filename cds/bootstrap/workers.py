"""Several processes that answer on one port with one store. This one only watches over them.

The content is loaded once, before they begin. Each has a socket of its own (SO_REUSEPORT), on which it listens when it can answer,
and which outlives it: calls that come while a worker is replaced wait for the next. At a stop nobody else holds it open, so that no
call is taken that nobody answers. Stop and reload reach all; a worker that has reloaded by request tells the others; one that dies
is replaced.
"""

from __future__ import annotations

import gc
import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NoReturn

from prometheus_client import multiprocess

from cds.observability.logging import failure, log


@dataclass(frozen=True)
class WorkerSlot:
    """What one worker is given."""

    socket: socket.socket
    """Where it answers until it is told to stop."""
    reloaded: bool
    """Whether the content has been reloaded since it was loaded here."""
    replaces: bool
    """Whether another was here before, for which calls wait."""


Work = Callable[[WorkerSlot], None]

TELL_THE_OTHERS = signal.SIGUSR1
"""Sent by a worker that has new content."""
LISTENS = signal.SIGUSR2
"""Sent by a worker that answers from now on."""
_WATCHED = {signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGCHLD, TELL_THE_OTHERS, LISTENS}
_ENDED_AS_TOLD = {0, -signal.SIGTERM}
"""How a worker ends at a stop: the server, having answered, does what the signal does by default."""
_SHORTEST_LIFE_SECONDS = 1.0


def bound(host: str, port: int, count: int) -> list[socket.socket]:
    """``count`` sockets for the same ``port`` (0: a free one) of ``host``, on which nobody listens yet. Raises OSError."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    sockets: list[socket.socket] = []
    for _ in range(count):
        made = socket.socket(family, socket.SOCK_STREAM)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
        made.bind((host, sockets[0].getsockname()[1] if sockets else port))
        sockets.append(made)
    return sockets


class Workers:
    """As many workers as sockets, until this process is told to stop."""

    def __init__(self, sockets: list[socket.socket], work: Work, stop_seconds: float) -> None:
        """Each worker does ``work``; those that have not ended ``stop_seconds`` after they were told to are killed."""
        self._sockets, self._work, self._stop_seconds = sockets, work, stop_seconds
        self._processes: dict[int, tuple[int, float]] = {}
        """The number of the socket, and when it began, by the process that answers on it."""
        self._stopping = self._reloaded = self._started = False
        self._alive = os.pipe()
        """Its writing end is held open here alone: a worker that reads its end has lost this process."""

    def run(self, on_started: Callable[[], None]) -> None:
        """Start the workers, call ``on_started`` when the first answers, and watch over them; returns when all have ended."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, _WATCHED)
        gc.freeze()  # What is loaded is shared with the workers as long as nobody touches it.
        for number in range(len(self._sockets)):
            self._start(number, before, replaces=False)
        while self._processes:
            told = signal.sigwaitinfo(_WATCHED)
            if told.si_signo == signal.SIGCHLD:
                self._replace_ended(before)
            elif told.si_signo in (signal.SIGTERM, signal.SIGINT):
                self._stop()
            elif told.si_signo == LISTENS:
                if not self._started:
                    on_started()
                self._started = True
            else:
                self._reloaded = True
                self._send(signal.SIGHUP, but=told.si_pid)

    def _start(self, number: int, unblocked: Iterable[int], *, replaces: bool) -> None:
        process = os.fork()
        if process:
            self._processes[process] = (number, time.monotonic())
            return
        try:
            os.close(self._alive[1])
            threading.Thread(target=self._end_with_the_parent, name="parent", daemon=True).start()
            self._close_sockets(but=number)
            signal.pthread_sigmask(signal.SIG_SETMASK, unblocked)
            self._work(WorkerSlot(self._sockets[number], self._reloaded, replaces))
        except BaseException as error:
            _leave(error)
        _leave(None)

    def _end_with_the_parent(self) -> None:
        os.read(self._alive[0], 1)
        os.kill(os.getpid(), signal.SIGTERM)

    def _replace_ended(self, unblocked: Iterable[int]) -> None:
        for process in list(self._processes):
            ended, status = os.waitpid(process, os.WNOHANG)
            if not ended:
                continue
            number, began = self._processes.pop(process)
            multiprocess.mark_process_dead(process)  # type: ignore[no-untyped-call]
            code = os.waitstatus_to_exitcode(status)
            if self._stopping:
                if code not in _ENDED_AS_TOLD:
                    log.error("worker did not end as told", status=code)
            else:
                log.error("worker ended and is replaced", status=code)
                # One that cannot start must not take the processor for trying; for one that could, calls wait.
                time.sleep(max(0.0, _SHORTEST_LIFE_SECONDS - (time.monotonic() - began)))
                self._start(number, unblocked, replaces=True)

    def _stop(self) -> None:
        if not self._stopping:
            self._stopping = True
            self._close_sockets()
            self._send(signal.SIGTERM)
            killer = threading.Timer(self._stop_seconds, self._send, [signal.SIGKILL])
            killer.daemon = True
            killer.start()

    def _close_sockets(self, but: int | None = None) -> None:
        for number, one in enumerate(self._sockets):
            if number != but:
                one.close()

    def _send(self, number: signal.Signals, but: int = 0) -> None:
        for process in list(self._processes):
            if process != but:
                os.kill(process, number)


def _leave(error: BaseException | None) -> NoReturn:
    """End a worker without going back into what its parent was doing."""
    code = 0
    if isinstance(error, SystemExit) and isinstance(error.code, int):
        code = error.code
    elif error is not None:
        code = 1
        log.error("worker failed", **failure(error))
    os._exit(code)
