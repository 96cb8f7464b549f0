"""A limit on calls: so many a minute for each name, in bursts of up to a tenth of that."""

from __future__ import annotations

import math
from collections.abc import Callable

_MOST_NAMES = 10_000


class RateLimit:
    """Token buckets by name; names come from the clients file, so there are few."""

    def __init__(self, clock: Callable[[], float]) -> None:
        """Measure time by ``clock`` (seconds, steady)."""
        self._clock = clock
        self._buckets: dict[str, tuple[float, float]] = {}

    def wait(self, name: str, per_minute: int) -> int:
        """0 where a call of ``name`` may go now, and is counted; otherwise the whole seconds after which one may.

        ``per_minute`` calls may go in a minute, a tenth of them at once.
        """
        now, burst = self._clock(), max(1.0, per_minute / 10)
        left, then = self._buckets.get(name, (burst, now))
        left = min(burst, left + max(0.0, now - then) * per_minute / 60)
        if len(self._buckets) >= _MOST_NAMES and name not in self._buckets:
            self._buckets.clear()
        if left < 1:
            self._buckets[name] = (left, now)
            return max(1, math.ceil((1 - left) * 60 / per_minute))
        self._buckets[name] = (left - 1, now)
        return 0
