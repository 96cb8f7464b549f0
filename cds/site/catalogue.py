"""The site's catalogue: the file of what stands on its shelf, checked against the axes of the rule set.

The site writes the file: its own item numbers, each with the real dimensions that the item takes.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from math import inf
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from cds.fhir.reading.code_map import CodeMap, Collar, as_listed
from cds.site.catalogue_matching import (
    CHOSEN_AXES,
    GIRTH,
    HEIGHT,
    Item,
    MatchingItem,
    Need,
    Range,
    Shelf,
    among,
    band_range,
    fits,
    height_estimate,
    matching_item,
    taken_ranges,
)
from rules.deciding import fit_check
from rules.errors import KnowledgeError, Place
from rules.evaluation.hit_policy import size_class
from rules.loading import schema
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Candidate, Decision
from rules.model.ruleset import Axis, Ruleset


def _several(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


Values = Annotated[tuple[str, ...], BeforeValidator(_several), Field(min_length=1)]


class _ItemShape(schema.Schema):
    item: str = Field(min_length=1)
    name: str = Field(min_length=1)
    line: Values
    contour: Values
    back: Values
    height_mm: Range
    circumference_mm: Range
    accessories: tuple[Annotated[str, Field(min_length=1)], ...] = ()
    quantity: int | None = Field(default=None, ge=0)


class _CatalogueShape(schema.Schema):
    site: dict[str, str]
    items: tuple[_ItemShape, ...] = Field(min_length=1)


class Catalogue:
    """A site's items, checked against a rule set's axes."""

    def __init__(self, items: Sequence[Item], ruleset: Ruleset, system: str | None = None) -> None:
        """Keep ``items`` for decisions by ``ruleset``. ``system`` is the code system of the item numbers in orders."""
        self.items = tuple(items)
        self.system = system
        self._axes = ruleset.axes
        self._ruleset = ruleset
        self._share = ruleset.number("shelf_share_of_band")

    @classmethod
    def load(cls, path: Path, ruleset: Ruleset) -> Catalogue:
        """Read the catalogue file ``path`` for the axes of ``ruleset``. Raises KnowledgeError with every problem found."""
        return cls.build(YamlFile.read(path), ruleset)

    @classmethod
    def build(cls, source: YamlFile, ruleset: Ruleset) -> Catalogue:
        """A catalogue for the axes of ``ruleset`` from the parsed file ``source``.

        Raises KnowledgeError with every problem found.
        """
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
                if item.item not in found and item.quantity != 0 and fits(item, candidate, needs):
                    fit = matching_item(item, needs)
                    found[item.item] = ((order, fit.distance, item.size), fit)
        if found:
            return Shelf(items=tuple(fit for _, fit in sorted(found.values(), key=lambda pair: pair[0])))
        first = decision.candidates[0]
        return Shelf(none_because=tuple(self._why_none(first, self._needs(decision, first))))

    def with_items(self, code_map: CodeMap) -> CodeMap:
        """``code_map``, to which the number of each item is the code of a collar: an order or a device may bear nothing else.

        Only where the catalogue names the system of its numbers: elsewhere the same number may be anything.
        """
        if self.system is None:
            return code_map
        return code_map.with_collars(
            {as_listed(self.system, item.item): Collar(display=item.name, local=True) for item in self.items}
        )

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
            low, high = band_range(axis, value)
            if Need(low, high, axis.words[value], self._share).taken_by(item.ranges[axis.name]):
                yield value

    # --- what the neck needs -------------------------------------------------------------------------------------------

    def _needs(self, decision: Decision, candidate: Candidate) -> dict[str, Need]:
        return {name: self._need(decision, candidate, self._axes[name]) for name in (HEIGHT, GIRTH)}

    def _need(self, decision: Decision, candidate: Candidate, axis: Axis) -> Need:
        measured = next((fact.value for fact in decision.facts if fact.name == axis.fact), None)
        title = "neck height" if axis.name == HEIGHT else "neck circumference"
        if isinstance(measured, (int, float)):
            return Need(measured, measured, f"{title} {measured:.0f} mm measured", self._share)
        value = candidate.size_class.values[axis.name]
        low, high = band_range(axis, value)
        estimate = height_estimate(decision) if axis.name == HEIGHT else None
        if estimate is not None and estimate[0] < high and low < estimate[1]:
            words = f"{title} {estimate[0]:.0f} to {estimate[1]:.0f} mm estimated"
            return Need(max(low, estimate[0]), min(high, estimate[1]), words, self._share)
        return Need(low, high, f"{title} not measured, {axis.words[value]} assumed", self._share)

    # --- why nothing fits ----------------------------------------------------------------------------------------------

    def _why_none(self, candidate: Candidate, needs: Mapping[str, Need]) -> Iterator[str]:
        """The dimension that fails: line, contour or back where no item has it, else the range that no item covers."""
        values = candidate.size_class.values
        left = list(self.items)
        for name in CHOSEN_AXES:
            axis = self._axes[name]
            fewer = [item for item in left if values[name] in item.axes[name]]
            if not fewer:
                yield f"{axis.title}: no item on the shelf with {axis.words[values[name]]}{among(left, self.items)}"
                return
            left = fewer
        yield from self._failing_range(left, needs)

    def _failing_range(self, left: Sequence[Item], needs: Mapping[str, Need]) -> Iterator[str]:
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
                yield f"{need.words}; the items {otherwise} {taken_ranges([item.ranges[name] for item in near], need)}"


def _item(shape: _ItemShape) -> Item:
    return Item(
        item=shape.item,
        name=shape.name,
        axes={"line": shape.line, "contour": shape.contour, "back": shape.back},
        ranges={HEIGHT: shape.height_mm, GIRTH: shape.circumference_mm},
        quantity=shape.quantity,
        accessories=shape.accessories,
    )


def _problems(source: YamlFile, shape: _CatalogueShape, axes: Mapping[str, Axis]) -> Iterable[tuple[Place, str]]:
    seen: dict[str, Place] = {}
    for index, item in enumerate(shape.items):
        place = source.place("items", index)
        if item.item in seen:
            yield place, f"item {item.item!r} already stands in {seen[item.item]}; give each item a number of its own"
        seen[item.item] = place
        for name in CHOSEN_AXES:
            for value in getattr(item, name):
                if value not in axes[name].values:
                    accepted = ", ".join(axes[name].values)
                    yield source.place("items", index, name), f"no {name} called {value!r}; there are: {accepted}"
        for key in ("height_mm", "circumference_mm"):
            low, high = getattr(item, key)
            if not 0 < low < high < inf:
                where = source.place("items", index, key)
                yield where, f"expected [least, most] in mm, rising and above 0; found [{low:g}, {high:g}]"
