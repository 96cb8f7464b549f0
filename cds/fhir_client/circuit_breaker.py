"""A circuit breaker: after some failures in a row a server is left alone for a while, then tried with one call."""

from __future__ import annotations

from collections.abc import Callable


class Breaker:
    """Closed (calls go), open (they do not), and half open (one may try)."""

    def __init__(self, failures: int, seconds: float, clock: Callable[[], float]) -> None:
        """Open after ``failures`` in a row, for ``seconds`` of ``clock``."""
        self._most, self._seconds, self._clock = failures, seconds, clock
        self._failures = 0
        self._opened_at: float | None = None
        self._trying = False

    def may_call(self) -> bool:
        """Whether a call may go now. While half open the first to ask gets the one trial."""
        if self._opened_at is None:
            return True
        if self._trying or self._clock() - self._opened_at < self._seconds:
            return False
        self._trying = True
        return True

    def succeeded(self) -> None:
        """Note that a call was answered."""
        self._failures, self._opened_at, self._trying = 0, None, False

    def failed(self) -> None:
        """Note that a call failed through the server's fault."""
        self._failures += 1
        self._trying = False
        if self._failures >= self._most:
            self._opened_at = self._clock()

    def abandoned(self) -> None:
        """Note that a call was given up without a verdict on the server."""
        self._trying = False
