"""What a benchmark reports."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Measured:
    """One thing measured against a floor of the same run, both in ``unit``; ``bar`` says in words what is wanted."""

    what: str
    value: float
    floor: float
    floor_is: str
    unit: str = "s"
    bar: str = ""
    kept: bool = True

    def __str__(self) -> str:
        bar = "" if not self.bar else f"; {self.bar}: {'kept' if self.kept else 'MISSED'}"
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
