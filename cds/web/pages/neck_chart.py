"""Where a neck lies in height by circumference: the bands as quiet lines, the candidates outlined, the patient as a box.

The box is as wide as what is known is uncertain: the margin of a measurement, the range of an estimate, or whole bands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

from cds.site.catalogue_matching import GIRTH, HEIGHT, Range, band_range, girth_range, height_estimate
from rules.model.decision import Decision
from rules.model.facts import FactValue
from rules.model.ruleset import Axis, Ruleset

WIDTH, DEPTH = 300.0, 220.0
"""Size of the drawing's field, in its own units."""


@dataclass(frozen=True)
class Interval:
    """What is known of one dimension: from ``low`` to ``high`` mm (clipped to what is drawn), and in words."""

    low: float
    high: float
    words: str
    known: bool


@dataclass(frozen=True)
class Rectangle:
    """A rectangle of the drawing, in its own units."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Tick:
    """A true edge between two bands: where it lies in the drawing, and its millimetres."""

    place: float
    millimetres: float


@dataclass(frozen=True)
class NeckChart:
    """Everything that is drawn, and the same in words."""

    heights: tuple[Tick, ...]
    girths: tuple[Tick, ...]
    candidates: tuple[Rectangle, ...]
    patient: Rectangle
    measured: bool
    words: str


def neck_chart(ruleset: Ruleset, decision: Decision) -> NeckChart | None:
    """The chart for ``decision``; None where neither a measurement nor a size says anything of the neck.

    The bands are those of ``ruleset``, in mm.
    """
    height, girth = ruleset.axes[HEIGHT], ruleset.axes[GIRTH]
    known = [_interval(ruleset, decision, axis) for axis in (height, girth)]
    if not decision.candidates and not any(interval.known for interval in known):
        return None
    up, across = (_drawn(ruleset, axis, interval) for axis, interval in zip((height, girth), known, strict=True))
    cells = [
        placed(band_range(height, size.values[HEIGHT]), band_range(girth, size.values[GIRTH]), up, across)
        for size in (candidate.size_class for candidate in decision.candidates)
    ]
    box = placed((known[0].low, known[0].high), (known[1].low, known[1].high), up, across)
    return NeckChart(
        heights=tuple(Tick(_down(edge, up), edge) for edge in height.edges),
        girths=tuple(Tick(_right(edge, across), edge) for edge in girth.edges),
        candidates=tuple(dict.fromkeys(cells)),
        patient=box,
        measured=all(interval.known for interval in known),
        words=f"{known[0].words}; {known[1].words}.",
    )


def _interval(ruleset: Ruleset, decision: Decision, axis: Axis) -> Interval:
    name = "Height" if axis.name == HEIGHT else "circumference"
    measured = _measured(decision, axis)
    if measured is not None:
        low, high = _around(ruleset, decision, axis, measured)
        half = (high - low) / 2
        words = f"{name} {measured:.0f} mm measured, give or take {half:.0f}"
        if axis.name == GIRTH and half > ruleset.number("girth_margin_mm"):
            words += " (so far do two tapes part at this age)"
        return Interval(low, high, words, True)
    estimate = height_estimate(decision) if axis.name == HEIGHT else None
    if estimate is not None:
        return Interval(*estimate, f"{name} {estimate[0]:.0f} to {estimate[1]:.0f} mm estimated", True)
    bands = [band_range(axis, value) for value in _candidates(decision, axis)]
    low, high = min((low for low, _ in bands), default=-inf), max((high for _, high in bands), default=inf)
    return Interval(low, high, f"{name} not measured", False)


def _around(ruleset: Ruleset, decision: Decision, axis: Axis, measured: float) -> Range:
    worked_out = girth_range(decision) if axis.name == GIRTH else None
    margin = ruleset.number("height_margin_mm")
    return worked_out or (measured - margin, measured + margin)


def _measured(decision: Decision, axis: Axis) -> float | None:
    value: FactValue | None = next((fact.value for fact in decision.facts if fact.name == axis.fact), None)
    return float(value) if isinstance(value, (int, float)) else None


def _candidates(decision: Decision, axis: Axis) -> Sequence[str]:
    return [candidate.size_class.values[axis.name] for candidate in decision.candidates]


def drawn_range(ruleset: Ruleset, axis: Axis) -> Range:
    """From and to what is always drawn along ``axis`` of ``ruleset``: its edges and half as much again.

    Both are within what is plausible, and in the unit of the axis (mm).
    """
    assert axis.fact is not None
    least, most = ruleset.vocabulary[axis.fact].range or (0.0, inf)
    half = (axis.edges[-1] - axis.edges[0]) / 2
    return max(least, axis.edges[0] - half), min(most, axis.edges[-1] + half)


def _drawn(ruleset: Ruleset, axis: Axis, known: Interval) -> Range:
    """From and to what is drawn along ``axis``: what is always drawn, and the patient in any case."""
    low, high = drawn_range(ruleset, axis)
    return min(low, known.low if known.low > -inf else low), max(high, known.high if known.high < inf else high)


def placed(heights: Range, girths: Range, up: Range, across: Range) -> Rectangle:
    """Where ``heights`` by ``girths`` (mm) lie in a drawing from and to ``up`` by ``across`` (mm)."""
    left, right = (_right(min(max(end, across[0]), across[1]), across) for end in girths)
    bottom, top = (_down(min(max(end, up[0]), up[1]), up) for end in heights)
    return Rectangle(round(left, 1), round(top, 1), round(right - left, 1), round(bottom - top, 1))


def _right(millimetres: float, across: Range) -> float:
    return round((millimetres - across[0]) / (across[1] - across[0]) * WIDTH, 1)


def _down(millimetres: float, up: Range) -> float:
    return round((up[1] - millimetres) / (up[1] - up[0]) * DEPTH, 1)
