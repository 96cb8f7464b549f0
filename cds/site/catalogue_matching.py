"""From a size class and the measurements to the items on the shelf that fit, nearest first; where none fits, why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

from pydantic import BaseModel, ConfigDict

from rules.model.decision import Candidate, Decision
from rules.model.ruleset import Axis

HEIGHT, GIRTH = "height_band", "girth_band"

CHOSEN_AXES = ("line", "contour", "back")
"""Axes on which an item either is the right one or is not."""


Range = tuple[float, float]


@dataclass(frozen=True)
class Item:
    """One item that the site stocks. Ranges in mm, both ends included; ``quantity`` None means: not counted.

    ``accessories`` are what belongs to it, in the site's words.
    """

    item: str
    name: str
    axes: Mapping[str, tuple[str, ...]]
    ranges: Mapping[str, Range]
    quantity: int | None
    accessories: tuple[str, ...] = ()

    @property
    def size(self) -> tuple[float, float]:
        """Sort key, smallest first: from which height and which circumference on it is made, in mm."""
        return (self.ranges[HEIGHT][0], self.ranges[GIRTH][0])


class MatchingItem(BaseModel):
    """An item that fits, and what belongs to it.

    ``distance`` is 0 in the middle of the item's ranges and 1 at their edge, on the worse of the two.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str
    name: str
    why: str
    distance: float
    accessories: tuple[str, ...] = ()

    @property
    def said(self) -> str:
        """Why it fits, and what belongs to it, in one line."""
        return f"{self.why}; with {', '.join(self.accessories)}" if self.accessories else self.why


class Shelf(BaseModel):
    """The items to reach for, nearest first; where there are none, why, with the dimension that fails."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    items: tuple[MatchingItem, ...] = ()
    none_because: tuple[str, ...] = ()


@dataclass(frozen=True)
class Need:
    """A dimension of the neck: from ``low`` to ``high`` mm (equal where it was measured), and in words.

    ``share`` is the part of a range that an item must take where that range stands in for a measurement.
    """

    low: float
    high: float
    words: str
    share: float

    def taken_by(self, item: Range) -> bool:
        """Whether an item with the range ``item`` (mm) is made for it: a measured need lies within the range, ends included.

        Of a need that is itself a range the item must take its share, so that neighbours that only touch are left out.
        """
        low, high = max(self.low, item[0]), min(self.high, item[1])
        if self.low == self.high:
            return low <= high
        return high - low >= self.share * min(self.high - self.low, item[1] - item[0])

    def distance(self, item: Range) -> float:
        """How far from the middle of the range ``item`` (mm) the need lies, as a share: 0 in the middle, 1 at the edge.

        A need that is itself a range counts from its middle, within the item's range.
        """
        low, high = max(self.low, item[0]), min(self.high, item[1])
        half = (item[1] - item[0]) / 2
        return abs((low + high) / 2 - (item[0] + item[1]) / 2) / half


def fits(item: Item, candidate: Candidate, needs: Mapping[str, Need]) -> bool:
    """Whether ``item`` is on every chosen axis what ``candidate`` asks for, and made for each of ``needs`` (in mm, by axis)."""
    values = candidate.size_class.values
    chosen = all(values[name] in item.axes[name] for name in CHOSEN_AXES)
    return chosen and all(need.taken_by(item.ranges[name]) for name, need in needs.items())


def matching_item(item: Item, needs: Mapping[str, Need]) -> MatchingItem:
    """``item`` as it is shown: why it fits, and how far from the middle of its ranges ``needs`` (in mm, by axis) lie."""
    distance = max(need.distance(item.ranges[name]) for name, need in needs.items())
    why = "; ".join(f"{need.words}, takes {_mm(item.ranges[name])}" for name, need in needs.items())
    return MatchingItem(
        item=item.item, name=item.name, why=why, distance=round(distance, 3), accessories=item.accessories
    )


def height_estimate(decision: Decision) -> Range | None:
    """The neck height that ``decision`` worked out from finger-breadths, as a range in mm, or None."""
    return _concluded(decision, "neck_height_estimate_low_mm", "neck_height_estimate_high_mm")


def girth_range(decision: Decision) -> Range | None:
    """The measured circumference of ``decision`` with the uncertainty of the tape in this patient's line, in mm, or None."""
    return _concluded(decision, "neck_circumference_low_mm", "neck_circumference_high_mm")


def _concluded(decision: Decision, lowest: str, highest: str) -> Range | None:
    concluded: dict[str, Any] = {}
    for entry in decision.trace:
        concluded |= entry.concluded
    low, high = concluded.get(lowest), concluded.get(highest)
    return (float(low), float(high)) if low is not None and high is not None else None


def band_range(axis: Axis, value: str) -> Range:
    """The range of ``value`` on ``axis``, in mm; open ends are infinite."""
    edges = (-inf, *axis.edges, inf)
    rank = axis.rank(value)
    return edges[rank], edges[rank + 1]


def _mm(taken: Range) -> str:
    return f"{taken[0]:g} to {taken[1]:g} mm"


def taken_ranges(ranges: Sequence[Range], need: Need) -> str:
    """What the items take, in mm: from the least to the most where ``need`` lies outside, else each of ``ranges`` with its gaps."""
    least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
    if need.high < least or need.low > most:
        return f"take {least:g} to {most:g} mm"
    return "take " + " and ".join(_mm(taken) for taken in sorted(set(ranges)))


def among(left: Sequence[Item], every: Sequence[Item]) -> str:
    """Words for how many of ``every`` item are ``left``; none where all are."""
    return "" if len(left) == len(every) else f" among the {len(left)} that fit so far"
