"""Which size each line gets over height and circumference, and where on that a rule acts.

Fields are cut exactly where the rules tell answers apart, so that their sides are the true edges. What the line does not get
is grey; no colour stands for a size.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from math import sqrt
from typing import TypeVar

from cds.site.catalogue_matching import GIRTH, HEIGHT, Range
from cds.web.pages.neck_chart import Rectangle, Tick, drawn_range, placed
from cds.web.pages.rulebook.workbench_results import CountedCell
from rules.batch.answer_partitions import groups
from rules.evaluation.hit_policy import choose, sizing_part
from rules.evaluation.interpreter import fire
from rules.model.facts import FactValue
from rules.model.ruleset import Axis, Ruleset

_LINE = "line"
_LINE_KNOWN = "apparent_age_group"
_LABEL_WIDTH, _LABEL_DEPTH = 20.0, 28.0
_BETWEEN_LABELS = 12.0
"""What labels need, in the units of the drawing; the bands stand in two lines."""
_LARGEST_DISC = 6.0
Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class Cell:
    """What is decided in one field: line, height and girth band (None: no size), and the rules that fire."""

    size: tuple[str, str, str] | None
    fired: frozenset[str]


@dataclass(frozen=True)
class MapArea:
    """A rectangle of the picture: where it is drawn, and from and to in words."""

    place: Rectangle
    height: str
    girth: str


@dataclass(frozen=True)
class SizeArea(MapArea):
    """A rectangle with one size to try first, and its bands."""

    bands: tuple[str, str]

    @property
    def labelled(self) -> bool:
        """Whether the bands can be written inside."""
        return self.place.width >= _LABEL_WIDTH and self.place.height >= _LABEL_DEPTH


@dataclass(frozen=True)
class LineMap:
    """The picture of one line. ``grey`` is what it does not get; ``others`` are the lines that are given there instead."""

    line: str
    fields: tuple[SizeArea, ...]
    grey: tuple[Rectangle, ...]
    others: tuple[str, ...]
    heights: tuple[Tick, ...]
    girths: tuple[Tick, ...]
    cells: tuple[tuple[Cell, ...], ...]
    up: tuple[Range, ...]
    across: tuple[Range, ...]

    def acting(self, rule: str) -> tuple[MapArea, ...]:
        """Where ``rule`` fires."""
        found = sorted(_rectangles(self.cells, lambda cell: rule in cell.fired or None), key=lambda one: one[1:])
        return tuple(MapArea(*_part(self.up, self.across, rows, columns)) for _, rows, columns in found)

    def everywhere(self, rule: str) -> bool:
        """Whether ``rule`` fires in every field."""
        return all(rule in cell.fired for row in self.cells for cell in row)


@dataclass(frozen=True)
class Crowd:
    """So many patients of a cohort around one place of the picture: a disc whose area follows their number, and in words."""

    x: float
    y: float
    radius: float
    words: str


def crowds(one: LineMap, cells: Sequence[CountedCell]) -> tuple[Crowd, ...]:
    """The patients in ``cells`` over the picture ``one``; those beyond what is drawn stand at its rim."""
    most = max((cell.patients for cell in cells), default=1)
    whole = ((one.up[0][0], one.up[-1][1]), (one.across[0][0], one.across[-1][1]))
    found = []
    for cell in sorted(cells, key=lambda cell: -cell.patients):
        place = placed(cell.neck_height_mm, cell.neck_circumference_mm, *whole)
        (low, high), (left, right) = cell.neck_height_mm, cell.neck_circumference_mm
        words = f"height {low:g} to {high:g} mm, circumference {left:g} to {right:g} mm: {cell.patients}"
        x, y = place.x + place.width / 2, place.y + place.height / 2
        found.append(Crowd(round(x, 1), round(y, 1), round(_LARGEST_DISC * sqrt(cell.patients / most), 1), words))
    return tuple(found)


@dataclass(frozen=True)
class _Content:
    """A rule set, told from another by its content hash."""

    hash: str
    ruleset: Ruleset = field(compare=False)


def line_maps(ruleset: Ruleset) -> tuple[LineMap, ...]:
    """One picture for each line that ``ruleset`` knows, for a patient whose line is known and who is up."""
    return _maps(_Content(ruleset.hash, ruleset))


@lru_cache(maxsize=2)
def _maps(content: _Content) -> tuple[LineMap, ...]:
    part = sizing_part(content.ruleset)
    up, across = (_steps(part, part.axes[name]) for name in (HEIGHT, GIRTH))
    return tuple(_line_map(part, line, up, across) for line in part.axes[_LINE].values)


def _line_map(ruleset: Ruleset, line: str, up: tuple[Range, ...], across: tuple[Range, ...]) -> LineMap:
    cells = tuple(tuple(_cell(ruleset, line, height, girth) for girth in across) for height in up)
    given = {cell.size[0] for row in cells for cell in row if cell.size}

    def own(cell: Cell) -> tuple[str, str] | None:
        return cell.size[1:] if cell.size and cell.size[0] == line else None

    kept = sorted(_rectangles(cells, own), key=lambda one: one[1:])
    grey = _rectangles(cells, lambda cell: None if own(cell) else True)
    return LineMap(
        line=line,
        fields=tuple(SizeArea(*_part(up, across, rows, columns), size) for size, rows, columns in kept),
        grey=tuple(_placed(up, across, rows, columns) for _, rows, columns in grey),
        others=tuple(other for other in ruleset.axes[_LINE].values if other in given - {line}),
        heights=_ticks(up, {end for _, rows, _ in kept for end in rows}, 1),
        girths=_ticks(across, {end for _, _, columns in kept for end in columns}, 0),
        cells=cells,
        up=up,
        across=across,
    )


def _cell(ruleset: Ruleset, line: str, height: Range, girth: Range) -> Cell:
    facts: dict[str, FactValue] = {
        _LINE_KNOWN: line,
        "bed_rest": False,
        "neck_height_mm": sum(height) / 2,
        "neck_circumference_mm": sum(girth) / 2,
    }
    fired = fire(ruleset, facts).fired
    sizing = choose(ruleset, fired)
    names = (_LINE, HEIGHT, GIRTH)
    first = None if sizing.withheld else tuple(sizing.axes[name].candidates[0] for name in names)
    return Cell(None if first is None else (first[0], first[1], first[2]), frozenset(rule.id for rule in fired))


def _steps(ruleset: Ruleset, axis: Axis) -> tuple[Range, ...]:
    """What is drawn along ``axis``, cut wherever the rules tell answers apart."""
    low, high = drawn_range(ruleset, axis)
    assert axis.fact is not None
    starts = {span[0] for one in groups(axis.fact, ruleset.rules.values(), ruleset) for span in one.spans}
    return tuple(pairwise([low, *sorted(start for start in starts if low < start < high), high]))


Span = tuple[int, int]
"""Steps from the first to before the second."""


def _rectangles(cells: Sequence[Sequence[Cell]], key: Callable[[Cell], Key | None]) -> Iterator[tuple[Key, Span, Span]]:
    """The rectangles of neighbouring cells with the same key; cells without one (None) are left out."""
    begun: dict[tuple[Key, Span], int] = {}
    for row in range(len(cells) + 1):
        runs = set(_runs([key(cell) for cell in cells[row]])) if row < len(cells) else set()
        for run in [run for run in begun if run not in runs]:
            yield run[0], (begun.pop(run), row), run[1]
        for run in runs:
            begun.setdefault(run, row)


def _runs(keys: Sequence[Key | None]) -> Iterator[tuple[Key, Span]]:
    start = 0
    for place in range(1, len(keys) + 1):
        if place == len(keys) or keys[place] != keys[start]:
            first = keys[start]
            if first is not None:
                yield first, (start, place)
            start = place


def _part(up: Sequence[Range], across: Sequence[Range], rows: Span, columns: Span) -> tuple[Rectangle, str, str]:
    """Where the steps ``rows`` of ``up`` by ``columns`` of ``across`` are drawn, and both in words."""
    return _placed(up, across, rows, columns), _words(up, rows), _words(across, columns)


def _placed(up: Sequence[Range], across: Sequence[Range], rows: Span, columns: Span) -> Rectangle:
    heights, girths = ((steps[span[0]][0], steps[span[1] - 1][1]) for steps, span in ((up, rows), (across, columns)))
    return placed(heights, girths, (up[0][0], up[-1][1]), (across[0][0], across[-1][1]))


def _words(steps: Sequence[Range], span: Span) -> str:
    """From and to in mm; what goes on beyond the drawing is said as open."""
    low, high = steps[span[0]][0], steps[span[1] - 1][1]
    if span == (0, len(steps)):
        return "any"
    if span[0] == 0:
        return f"below {high:g} mm"
    return f"{low:g} mm or more" if span[1] == len(steps) else f"{low:g} to below {high:g} mm"


def _ticks(steps: Sequence[Range], ends: set[int], upwards: int) -> tuple[Tick, ...]:
    """Where one size ends and another begins, so far apart that each can be read."""
    whole = (steps[0][0], steps[-1][1])
    found: list[Tick] = []
    for end in sorted(ends - {0, len(steps)}):
        at = steps[end][0]
        corner = (
            placed((at, at), (whole[0], whole[0]), whole, whole) if upwards else placed(whole, (at, at), whole, whole)
        )
        place = corner.y if upwards else corner.x
        if not found or abs(found[-1].place - place) >= _BETWEEN_LABELS * (1 if upwards else 2):
            found.append(Tick(place, at))
    return tuple(found)
