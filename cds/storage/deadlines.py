"""Work in the store that somebody waits for: given up after a moment, whatever the database does.

The limit is on this side, in time: a database that is locked, or whose process stands still, keeps no limit of its own. The work
that is given up goes on in its thread; while it does, or after a failure, one piece of work at a time tries whether the store
answers again, and all other is refused at once.

What one call waits in all is limited too: a call may need the store several times.
"""

from __future__ import annotations

import contextvars
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from contextlib import contextmanager
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any, TypeVar

Found = TypeVar("Found")

MOST_WAIT_SECONDS = 0.6
"""So long a decision waits for the store in all, however often it is asked."""


_IDLE_SECONDS = 2.0
"""So long a thread waits for more work."""


class Allowance:
    """What is left of the time that one call may wait."""

    def __init__(self) -> None:
        """Nothing is used yet."""
        self.seconds = MOST_WAIT_SECONDS

    @contextmanager
    def used(self) -> Iterator[float]:
        """The seconds that are left; what the block takes is used up then."""
        started = time.monotonic()
        try:
            yield self.seconds
        finally:
            self.seconds = max(0.0, self.seconds - (time.monotonic() - started))


current_allowance: contextvars.ContextVar[Allowance | None] = contextvars.ContextVar("allowance", default=None)
"""That of the call that is answered here; outside of calls each piece of work has one of its own."""


class DeadlineExceeded(Exception):
    """The work was not done in time, or not begun because other work is late."""


@dataclass(frozen=True)
class _Job:
    """Work as somebody waits for it."""

    context: contextvars.Context
    work: Callable[[], Any]
    outcome: Future[Any]


class DeadlineRunner:
    """For one kind of work. ``most``: how many may wait at the same time; after a ``failure`` only one tries.

    Work is done in threads, which are kept for a while: to start one takes longer than most work.
    """

    def __init__(self, failure: type[Exception], most: int = 100) -> None:
        """Nothing waits yet."""
        self._failure, self._most = failure, most
        self._lock = threading.Lock()
        self._inside = 0
        self._suspected = False
        self._jobs: SimpleQueue[_Job] = SimpleQueue()
        self._idle = 0
        """Threads that wait for a job and were promised none."""

    def run(self, work: Callable[[], Found], seconds: float) -> Found:
        """What ``work`` gives within ``seconds``. Raises what it raises, and DeadlineExceeded where it is late or other work is."""
        if seconds <= 0:
            raise DeadlineExceeded("this call has waited long enough")
        with self._lock:
            if self._inside >= (1 if self._suspected else self._most):
                raise DeadlineExceeded("it does not answer")
            self._inside += 1
            is_taken = self._idle > 0
            self._idle -= is_taken
        outcome: Future[Found] = Future()
        self._jobs.put(_Job(contextvars.copy_context(), work, outcome))
        if not is_taken:
            # A daemon: a database that never answers must not hold up the end of the process.
            threading.Thread(target=self._work, name="store", daemon=True).start()
        try:
            return outcome.result(seconds)
        except FutureTimeout as error:
            with self._lock:
                self._suspected = self._suspected or not outcome.done()
            raise DeadlineExceeded(f"no answer within {seconds:g} s") from error

    def _work(self) -> None:
        """One job after the other, until none has come for a while."""
        while (job := self._next()) is not None:
            job.context.run(self._do, job)
            del job  # What it holds must not last as long as the thread.
            with self._lock:
                self._idle += 1

    def _next(self) -> _Job | None:
        while True:
            try:
                return self._jobs.get(timeout=_IDLE_SECONDS)
            except Empty:
                with self._lock:
                    if self._idle > 0:
                        self._idle -= 1
                        return None
                # Each thread that waits was promised a job, which is about to come.

    def _do(self, job: _Job) -> None:
        down = False
        try:
            job.outcome.set_result(job.work())
        except BaseException as error:  # Raised on where it is waited for.
            down = isinstance(error, self._failure)
            job.outcome.set_exception(error)
        finally:
            with self._lock:
                self._inside -= 1
                self._suspected = down
