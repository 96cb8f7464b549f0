"""Whose turn the processor is: of the calls of one process that decide, one works at a time.

Python runs one thread at a time anyway. Threads that decide beside each other only take the processor from each other, every
call becomes slower, and half of the time goes into handing over. So a call keeps its turn until it is done, or until what it
waits for, such as the store, has taken long enough that another should go on meanwhile.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from contextvars import ContextVar


class Turn:
    """What calls of one kind take in turns, first come, first served. Whoever waits is a thread that does nothing else meanwhile.

    A plain lock would not do: who gives it up may take it again before the one who waits for it is awake.
    """

    def __init__(self) -> None:
        """Nobody has it."""
        self._lock = threading.Lock()
        self._is_taken = False
        self._waiting: deque[threading.Lock] = deque()
        """Of each who waits a lock that is opened when the turn comes."""

    @contextmanager
    def taken(self) -> Iterator[None]:
        """The block is done by nobody else at the same time, but for the parts of it in which it lets others go on."""
        self._take()
        before = _current.set(self)
        try:
            yield
        finally:
            _current.reset(before)
            self._pass_on()

    @contextmanager
    def _let_go(self) -> Iterator[None]:
        self._pass_on()
        try:
            yield
        finally:
            self._take()

    def _take(self) -> None:
        with self._lock:
            if not self._is_taken:
                self._is_taken = True
                return
            comes = threading.Lock()
            comes.acquire()
            self._waiting.append(comes)
        comes.acquire()

    def _pass_on(self) -> None:
        with self._lock:
            if self._waiting:
                self._waiting.popleft().release()
            else:
                self._is_taken = False


_current: ContextVar[Turn | None] = ContextVar("_current", default=None)


def others_go_on() -> AbstractContextManager[None]:
    """For a block that only waits: where this thread has a turn, it gives it up for so long."""
    turn = _current.get()
    return nullcontext() if turn is None else turn._let_go()
