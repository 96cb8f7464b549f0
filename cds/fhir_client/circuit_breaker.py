"""A circuit breaker: after some failures in a row a server is left alone for a while, then tried with one call."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable

_MOST_KEPT = 1000


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


class Breakers:
    """A breaker for each client and FHIR base: what one client meets, or brings about, closes reading for no other.

    Callers choose the base below a listed server, so only those last used are kept; a forgotten one starts closed.
    """

    def __init__(self, failures: int, seconds: float, clock: Callable[[], float]) -> None:
        """Make breakers as ``Breaker`` with these values."""
        self._given = failures, seconds, clock
        self._kept: OrderedDict[tuple[str, str], Breaker] = OrderedDict()

    def of(self, client: str, base: str) -> Breaker:
        """The breaker of ``client`` at ``base``."""
        breaker = self._kept.setdefault((client, base), Breaker(*self._given))
        self._kept.move_to_end((client, base))
        if len(self._kept) > _MOST_KEPT:
            self._kept.popitem(last=False)
        return breaker
