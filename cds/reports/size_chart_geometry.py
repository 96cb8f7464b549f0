"""Where each size lies: the fields of height by circumference that the rules decide alike, up to their edges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

import polars as pl

from rules.batch.answer_partitions import groups
from rules.batch.fact_frame import column_type
from rules.batch.polars_backend import Columns
from rules.evaluation.hit_policy import sizing_part
from rules.model.facts import FactDefinition, FactValue
from rules.model.quantity_words import value_words
from rules.model.ruleset import Axis, Ruleset

_MOST_POINTS = 200


@dataclass(frozen=True)
class Panel:
    """One small picture: what is known besides the two measurements, and the cohort's points (height, circumference)."""

    title: str
    known: Mapping[str, FactValue]
    points: Sequence[tuple[float, float]] = ()


Span = tuple[float, float]


@dataclass(frozen=True)
class ChartField:
    """A rectangle with one answer: ``height`` and ``girth`` from and to, in mm, and the size, or None where there is none.

    The size is the first to try: line, height band, girth band, and what else the written size class names.
    """

    height: Span
    girth: Span
    size: tuple[str, str, str] | None

    @property
    def said(self) -> str:
        """The size as a person reads it."""
        return " ".join(map(value_words, self.size)) if self.size else "no size"


def panels(ruleset: Ruleset, cohort: pl.DataFrame | None = None) -> list[Panel]:
    """One panel for each line and posture of ``ruleset``, with the points of ``cohort`` that belong there.

    ``cohort`` is a table of facts, one row a patient, lengths in mm.
    """
    lines = ruleset.axes["line"].values
    points = _points_by_situation(ruleset, cohort) if cohort is not None else {}
    return [
        Panel(
            f"{value_words(line)}, {'lying' if lying else 'up'}",
            {"apparent_age_group": line, "bed_rest": lying},
            points.get((line, "recumbent" if lying else "standard"), ()),
        )
        for line in lines
        for lying in (False, True)
    ]


def _points_by_situation(ruleset: Ruleset, cohort: pl.DataFrame) -> dict[tuple[str, str], list[tuple[float, float]]]:
    measured = cohort.filter(pl.col("neck_height_mm").is_not_null() & pl.col("neck_circumference_mm").is_not_null())
    facts = [name for name in measured.columns if name in ruleset.vocabulary]
    decided = Columns(sizing_part(ruleset)).decide(measured.select(facts), outputs=["axis:line", "axis:back"])
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    rows = pl.concat([measured.select("neck_height_mm", "neck_circumference_mm"), decided], how="horizontal")
    for height, girth, line, back in rows.iter_rows():
        if line is not None and back is not None:
            found.setdefault((line, back), []).append((height, girth))
    return found


def axis_range(ruleset: Ruleset, axis: Axis) -> tuple[float, float]:
    """From and to what is drawn along ``axis`` of ``ruleset``, in mm: its edges and half as much again on both sides.

    It stays within what is plausible.
    """
    assert axis.fact is not None
    fact: FactDefinition = ruleset.vocabulary[axis.fact]
    low, high = fact.range or (0.0, 1000.0)
    span = axis.edges[-1] - axis.edges[0]
    return max(low, axis.edges[0] - span / 2), min(high, axis.edges[-1] + span / 2)


def fields(columns: Columns, panel: Panel) -> list[ChartField]:
    """What the rules of ``columns`` give in ``panel``, row by row from the lowest.

    Neighbouring rows and columns that agree are one.
    """
    ruleset = columns.ruleset
    heights, girths = (_steps(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
    known = [
        pl.lit(value, dtype=column_type(ruleset.vocabulary[name])).alias(name) for name, value in panel.known.items()
    ]
    middles = [((low + high) / 2, (left + right) / 2) for low, high in heights for left, right in girths]
    table = pl.DataFrame(middles, schema=["neck_height_mm", "neck_circumference_mm"], orient="row").with_columns(known)
    decided = columns.decide(table, outputs=["axis:line", "axis:height_band", "axis:girth_band", "withheld"])
    sizes = [None if withheld else (line, band, width) for line, band, width, withheld in decided.iter_rows()]
    grid = [sizes[row * len(girths) : (row + 1) * len(girths)] for row in range(len(heights))]
    heights, grid = _together(heights, grid)
    girths, grid = _together(girths, [list(column) for column in zip(*grid, strict=True)])
    return [
        ChartField(height, girth, grid[column][row])
        for row, height in enumerate(heights)
        for column, girth in enumerate(girths)
    ]


_Sizes = list[tuple[str, str, str] | None]


def _together(spans: Sequence[Span], rows: Sequence[_Sizes]) -> tuple[list[Span], list[_Sizes]]:
    """``rows`` that follow on each other and agree as one, and their spans joined."""
    found = [(list(group)) for _, group in groupby(zip(spans, rows, strict=True), key=lambda pair: pair[1])]
    return [(group[0][0][0], group[-1][0][1]) for group in found], [group[0][1] for group in found]


def _steps(ruleset: Ruleset, axis: Axis) -> list[Span]:
    """What is drawn along ``axis``, cut wherever the rules tell answers apart."""
    low, high = axis_range(ruleset, axis)
    assert axis.fact is not None
    spans = [span for one in groups(axis.fact, ruleset.rules.values(), ruleset) for span in one.spans]
    cuts = [low, *sorted(start for start, _ in spans if low < start < high), high]
    return list(pairwise(cuts))
