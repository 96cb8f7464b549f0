"""What a benchmark reports."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Measured:
    """One thing measured against a floor of the same run, both in ``unit``; ``bar`` says in words what is wanted.

    A thing without a floor has ``floor`` 0.
    """

    what: str
    value: float
    floor: float
    floor_is: str
    unit: str = "s"
    bar: str = ""
    kept: bool = True

    @classmethod
    def alone(cls, what: str, value: float, unit: str, *, bar: str, kept: bool) -> Measured:
        """A thing that has a bar of its own and no floor."""
        return cls(what, value, 0, "", unit, bar, kept)

    def __str__(self) -> str:
        bar = "" if not self.bar else f"; {self.bar}: {'kept' if self.kept else 'MISSED'}"
        if not self.floor:
            return f"{self.what}: {self.value:.3g} {self.unit}".rstrip() + bar
        return (
            f"{self.what}: {self.value / self.floor:.1f} x {self.floor_is} "
            f"({self.value:.3g} {self.unit} against {self.floor:.3g} {self.unit}){bar}"
        )


def seconds(work: Callable[[], Any], times: int = 1) -> float:
    """The shortest of ``times`` runs of ``work``, in seconds of processor time of this process."""
    taken = []
    for _ in range(times):
        began = time.process_time()
        work()
        taken.append(time.process_time() - began)
    return min(taken)
