"""How far a call is: work that nobody waits for any more stops between its stages, and what begins to be written is finished."""

from __future__ import annotations

import threading
from contextvars import ContextVar


class GivenUp(Exception):
    """Nobody waits for the answer any more; nothing was written."""


class CallProgress:
    """One call, seen by the thread that works on it and by the layer that waits for it."""

    def __init__(self) -> None:
        """Work goes on."""
        self._lock = threading.Lock()
        self._given_up = self._writing = False

    def check(self) -> None:
        """Between two stages of work. Raises GivenUp."""
        if self._given_up:
            raise GivenUp

    def begin_writing(self) -> None:
        """Before the first thing that stays: records, metrics, cards. Raises GivenUp; afterwards the call cannot be given up."""
        with self._lock:
            self.check()
            self._writing = True

    def give_up(self) -> bool:
        """Stop the work, unless it is being written down already. Whether it stops, so that nothing will stay of it."""
        with self._lock:
            self._given_up = not self._writing
            return self._given_up


current_progress: ContextVar[CallProgress] = ContextVar("current_progress")
"""The progress of the call that is being answered."""


def progress() -> CallProgress:
    """The progress of this call; outside of a call one that nobody gives up."""
    return current_progress.get(None) or CallProgress()
