"""Whose turn the processor is: of the calls of one process that decide, one works at a time.

Python runs one thread at a time anyway. Threads that decide beside each other only take the processor from each other, every
call becomes slower, and half of the time goes into handing over. So a call keeps its turn until it is done, or until what it
waits for, such as the store, has taken long enough that another should go on meanwhile.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from contextvars import ContextVar


class Turn:
    """What calls of one kind take in turns. Whoever waits is a thread that does nothing else meanwhile."""

    def __init__(self) -> None:
        """Nobody has it."""
        self._lock = threading.Lock()

    @contextmanager
    def taken(self) -> Iterator[None]:
        """The block is done by nobody else at the same time, but for the parts of it in which it lets others go on."""
        with self._lock:
            before = _current.set(self)
            try:
                yield
            finally:
                _current.reset(before)

    @contextmanager
    def _let_go(self) -> Iterator[None]:
        self._lock.release()
        try:
            yield
        finally:
            self._lock.acquire()


_current: ContextVar[Turn | None] = ContextVar("_current", default=None)


def others_go_on() -> AbstractContextManager[None]:
    """For a block that only waits: where this thread has a turn, it gives it up for so long."""
    turn = _current.get()
    return nullcontext() if turn is None else turn._let_go()
