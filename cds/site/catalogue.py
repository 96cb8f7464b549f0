"""The site's catalogue: from a size class and the measurements to the items on its shelf that fit, nearest first.

The site writes the file: its own item numbers, each with the real dimensions that the item takes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from rules.deciding import fit_check
from rules.errors import KnowledgeError, Place
from rules.evaluation.hit_policy import size_class
from rules.loading import schema
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Candidate, Decision
from rules.model.ruleset import Axis, Ruleset

HEIGHT, GIRTH = "height_band", "girth_band"
_CHOSEN = ("line", "contour", "back")
"""Axes on which an item either is the right one or is not."""
_FAIR_SHARE = 1 / 3
"""Of a band that stands in for a measurement; only decides which items are worth naming before anybody has measured."""


def _several(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Values = Annotated[tuple[str, ...], BeforeValidator(_several), Field(min_length=1)]
Range = tuple[float, float]


class _ItemShape(schema.Schema):
    item: str = Field(min_length=1)
    name: str = Field(min_length=1)
    line: Values
    contour: Values
    back: Values
    height_mm: Range
    circumference_mm: Range
    quantity: int | None = Field(default=None, ge=0)


class _CatalogueShape(schema.Schema):
    site: dict[str, str]
    items: tuple[_ItemShape, ...] = Field(min_length=1)


class MatchingItem(BaseModel):
    """An item that fits. ``distance`` is 0 in the middle of the item's ranges and 1 at their edge, on the worse of the two."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    item: str
    name: str
    why: str
    distance: float


class Shelf(BaseModel):
    """The items to reach for, nearest first; where there are none, why, with the dimension that fails."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    items: tuple[MatchingItem, ...] = ()
    none_because: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Need:
    """A dimension of the neck: from ``low`` to ``high`` mm (equal where it was measured), and in words."""

    low: float
    high: float
    words: str

    def taken_by(self, item: Range) -> bool:
        """Whether the item is made for it: a measured need lies within the item's range, ends included.

        Of a need that is itself a range the item must take a fair share, so that neighbours that only touch are left out.
        """
        low, high = max(self.low, item[0]), min(self.high, item[1])
        if self.low == self.high:
            return low <= high
        return high - low >= _FAIR_SHARE * min(self.high - self.low, item[1] - item[0])

    def distance(self, item: Range) -> float:
        """How far from the middle of the item's range the need lies: 0 in the middle, 1 at the edge.

        A need that is itself a range counts from its middle, within the item's range.
        """
        low, high = max(self.low, item[0]), min(self.high, item[1])
        half = (item[1] - item[0]) / 2
        return abs((low + high) / 2 - (item[0] + item[1]) / 2) / half


@dataclass(frozen=True)
class Item:
    """One item that the site stocks. Ranges in mm, both ends included; ``quantity`` None means: not counted."""

    item: str
    name: str
    axes: Mapping[str, tuple[str, ...]]
    ranges: Mapping[str, Range]
    quantity: int | None

    @property
    def size(self) -> tuple[float, float]:
        """Sort key, smallest first."""
        return (self.ranges[HEIGHT][0], self.ranges[GIRTH][0])


class Catalogue:
    """A site's items, checked against a rule set's axes."""

    def __init__(self, items: Sequence[Item], ruleset: Ruleset, system: str | None = None) -> None:
        """Keep ``items`` for decisions by ``ruleset``. ``system`` is the code system of the item numbers in orders."""
        self.items = tuple(items)
        self.system = system
        self._axes = ruleset.axes
        self._ruleset = ruleset

    @classmethod
    def load(cls, path: Path, ruleset: Ruleset) -> Catalogue:
        """Read the catalogue file ``path``. Raises KnowledgeError with every problem found."""
        return cls.build(YamlFile.read(path), ruleset)

    @classmethod
    def build(cls, source: YamlFile, ruleset: Ruleset) -> Catalogue:
        """A catalogue from a parsed file. Raises KnowledgeError with every problem found."""
        shape = schema.read(source, (), source.data, _CatalogueShape)
        if isinstance(shape, list):
            raise KnowledgeError(shape)
        problems = list(_problems(source, shape, ruleset.axes))
        if problems:
            raise KnowledgeError(problems)
        return cls([_item(item) for item in shape.items], ruleset, shape.site.get("system"))

    def fitting(self, decision: Decision) -> Shelf:
        """What to reach for. Items for an earlier candidate of ``decision`` stand first, then the nearest, then the smaller.

        A dimension that was measured must lie in the item's range; of one that was not, the estimate or the band stands in.
        """
        if not decision.candidates:
            return Shelf(none_because=("no size is given",))
        found: dict[str, tuple[tuple[int, float, tuple[float, float]], MatchingItem]] = {}
        for order, candidate in enumerate(decision.candidates):
            needs = self._needs(decision, candidate)
            for item in self.items:
                if item.item not in found and item.quantity != 0 and _fits(item, candidate, needs):
                    fit = _shelf_item(item, needs)
                    found[item.item] = ((order, fit.distance, item.size), fit)
        if found:
            return Shelf(items=tuple(fit for _, fit in sorted(found.values(), key=lambda pair: pair[0])))
        first = decision.candidates[0]
        return Shelf(none_because=tuple(self._why_none(first, self._needs(decision, first))))

    def for_fit_checks(self) -> tuple[fit_check.StockedItem, ...]:
        """The items left, smallest first, each with every size class that it serves, for a fit check to choose from."""
        return tuple(
            fit_check.StockedItem(name=item.item, sizes=sizes)
            for item in sorted(self.items, key=lambda item: item.size)
            if item.quantity != 0 and (sizes := tuple(self._served(item)))
        )

    def _served(self, item: Item) -> Iterator[str]:
        served = {
            name: item.axes[name] if name in item.axes else tuple(self._served_bands(item, axis))
            for name, axis in self._axes.items()
        }
        for values in itertools.product(*served.values()):
            yield size_class(self._ruleset, dict(zip(served, values, strict=True))).code

    def _served_bands(self, item: Item, axis: Axis) -> Iterator[str]:
        for value in axis.values:
            low, high = _band(axis, value)
            if _Need(low, high, axis.words[value]).taken_by(item.ranges[axis.name]):
                yield value

    # --- what the neck needs -------------------------------------------------------------------------------------------

    def _needs(self, decision: Decision, candidate: Candidate) -> dict[str, _Need]:
        return {name: self._need(decision, candidate, self._axes[name]) for name in (HEIGHT, GIRTH)}

    def _need(self, decision: Decision, candidate: Candidate, axis: Axis) -> _Need:
        measured = next((fact.value for fact in decision.facts if fact.name == axis.fact), None)
        title = "neck height" if axis.name == HEIGHT else "neck circumference"
        if isinstance(measured, (int, float)):
            return _Need(measured, measured, f"{title} {measured:g} mm measured")
        value = candidate.size_class.values[axis.name]
        low, high = _band(axis, value)
        estimate = _estimate(decision) if axis.name == HEIGHT else None
        if estimate is not None and estimate[0] < high and low < estimate[1]:
            words = f"{title} {estimate[0]:g} to {estimate[1]:g} mm estimated"
            return _Need(max(low, estimate[0]), min(high, estimate[1]), words)
        return _Need(low, high, f"{title} not measured, {axis.words[value]} assumed")

    # --- why nothing fits ----------------------------------------------------------------------------------------------

    def _why_none(self, candidate: Candidate, needs: Mapping[str, _Need]) -> Iterator[str]:
        """The dimension that fails: line, contour or back where no item has it, else the range that no item covers."""
        values = candidate.size_class.values
        left = list(self.items)
        for name in _CHOSEN:
            axis = self._axes[name]
            fewer = [item for item in left if values[name] in item.axes[name]]
            if not fewer:
                yield f"{axis.title}: no item on the shelf with {axis.words[values[name]]}{_among(left, self.items)}"
                return
            left = fewer
        yield from self._failing_range(left, needs)

    def _failing_range(self, left: Sequence[Item], needs: Mapping[str, _Need]) -> Iterator[str]:
        """The dimension that alone keeps items from fitting; both where no item comes that near; empty stock."""
        missed = {
            item.item: [name for name, need in needs.items() if not need.taken_by(item.ranges[name])] for item in left
        }
        fewest = min(len(names) for names in missed.values())
        for item in left:
            if fewest == 0 and not missed[item.item]:
                yield f"stock: {item.name} ({item.item}) would fit, and none is left"
        for name, need in needs.items():
            near = [item for item in left if name in missed[item.item] and len(missed[item.item]) == fewest]
            if near:
                otherwise = "that fit otherwise" if fewest == 1 else "of the right line, contour and back"
                yield f"{need.words}; the items {otherwise} {_taken([item.ranges[name] for item in near], need)}"


def _fits(item: Item, candidate: Candidate, needs: Mapping[str, _Need]) -> bool:
    values = candidate.size_class.values
    chosen = all(values[name] in item.axes[name] for name in _CHOSEN)
    return chosen and all(need.taken_by(item.ranges[name]) for name, need in needs.items())


def _shelf_item(item: Item, needs: Mapping[str, _Need]) -> MatchingItem:
    distance = max(need.distance(item.ranges[name]) for name, need in needs.items())
    why = "; ".join(f"{need.words}, takes {_mm(item.ranges[name])}" for name, need in needs.items())
    return MatchingItem(item=item.item, name=item.name, why=why, distance=round(distance, 3))


def _estimate(decision: Decision) -> Range | None:
    """The neck height that rules worked out from finger-breadths, in mm, or None."""
    concluded: dict[str, Any] = {}
    for entry in decision.trace:
        concluded |= entry.concluded
    low, high = concluded.get("neck_height_estimate_low_mm"), concluded.get("neck_height_estimate_high_mm")
    return (float(low), float(high)) if low is not None and high is not None else None


def _band(axis: Axis, value: str) -> Range:
    edges = (-inf, *axis.edges, inf)
    rank = axis.rank(value)
    return edges[rank], edges[rank + 1]


def _mm(taken: Range) -> str:
    return f"{taken[0]:g} to {taken[1]:g} mm"


def _taken(ranges: Sequence[Range], need: _Need) -> str:
    """What the items take: from the least to the most where the need lies outside, else each range with its gaps."""
    least, most = min(low for low, _ in ranges), max(high for _, high in ranges)
    if need.high < least or need.low > most:
        return f"take {least:g} to {most:g} mm"
    return "take " + " and ".join(_mm(taken) for taken in sorted(set(ranges)))


def _among(left: Sequence[Item], every: Sequence[Item]) -> str:
    return "" if len(left) == len(every) else f" among the {len(left)} that fit so far"


def _item(shape: _ItemShape) -> Item:
    return Item(
        item=shape.item,
        name=shape.name,
        axes={"line": shape.line, "contour": shape.contour, "back": shape.back},
        ranges={HEIGHT: shape.height_mm, GIRTH: shape.circumference_mm},
        quantity=shape.quantity,
    )


def _problems(source: YamlFile, shape: _CatalogueShape, axes: Mapping[str, Axis]) -> Iterable[tuple[Place, str]]:
    seen: dict[str, Place] = {}
    for index, item in enumerate(shape.items):
        place = source.place("items", index)
        if item.item in seen:
            yield place, f"item {item.item!r} already stands in {seen[item.item]}; give each item a number of its own"
        seen[item.item] = place
        for name in _CHOSEN:
            for value in getattr(item, name):
                if value not in axes[name].values:
                    accepted = ", ".join(axes[name].values)
                    yield source.place("items", index, name), f"no {name} called {value!r}; there are: {accepted}"
        for key in ("height_mm", "circumference_mm"):
            low, high = getattr(item, key)
            if not 0 < low < high < inf:
                where = source.place("items", index, key)
                yield where, f"expected [least, most] in mm, rising and above 0; found [{low:g}, {high:g}]"
