"""The decision map: which size the rules give over neck height and circumference, small multiples by situation, as SVG.

Hue shows the girth band and lightness the height band, each field is labelled as well, and patients of a cohort are drawn
over it as rings, so that nothing rests on telling two colours apart.
"""

from __future__ import annotations

import colorsys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from markupsafe import Markup

from cds.reports.about import count
from cds.reports.pictures import INK, PAPER
from rules.columns import Columns
from rules.fact_table import column_type
from rules.facts import FactDefinition, FactValue
from rules.ruleset import Axis, Ruleset
from rules.sizing import sizing_part

HUES = (0.58, 0.10, 0.93, 0.42, 0.76, 0.02)
"""Blue, amber, magenta, green ...: our own, told apart under the common colour blindnesses by hue or by lightness."""
_NONE = "#d8d4ca"
_SIDE = 260
_GAP = 46
_MOST_POINTS = 400


@dataclass(frozen=True)
class Panel:
    """One small picture: what is known besides the two measurements, and the cohort's points (height, circumference)."""

    title: str
    known: Mapping[str, FactValue]
    points: Sequence[tuple[float, float]] = ()


@dataclass(frozen=True)
class _Grid:
    """Sizes on a grid: ``height`` and ``girth`` are the cells' middles in mm, ``sizes`` one size for each cell, by row."""

    height: np.ndarray
    girth: np.ndarray
    sizes: list[str | None]


def panels(ruleset: Ruleset, cohort: pl.DataFrame | None = None) -> list[Panel]:
    """One panel for each line and posture of the ruleset, with the points of ``cohort`` (a table of facts) that belong there."""
    lines = ruleset.axes["line"].values
    points = _points_by_situation(ruleset, cohort) if cohort is not None else {}
    return [
        Panel(
            f"{line.replace('_', ' ')}, {'lying' if lying else 'up'}",
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


def size_map(ruleset: Ruleset, shown: Sequence[Panel], cells: int = 90) -> Markup:
    """``shown`` side by side, four a row, as one SVG picture with a legend of colours."""
    columns = Columns(sizing_part(ruleset))
    across = min(len(shown), 4)
    down = -(-len(shown) // across)
    drawn = Markup("").join(
        Markup('<g transform="translate({},{})">{}</g>').format(
            _GAP + index % across * (_SIDE + _GAP),
            24 + index // across * (_SIDE + _GAP + 20),
            _panel(columns, panel, cells),
        )
        for index, panel in enumerate(shown)
    )
    width, height = across * (_SIDE + _GAP) + _GAP, down * (_SIDE + _GAP + 20) + 60
    legend = Markup('<g transform="translate({},{})">{}</g>').format(_GAP, height - 44, _legend(ruleset))
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" role="img" font-family="sans-serif" font-size="10" '
        'fill="{2}" aria-label="Size by neck height and circumference"><rect width="{0}" height="{1}" fill="{3}"/>{4}{5}</svg>'
    ).format(width, height, INK, PAPER, drawn, legend)


def colour(ruleset: Ruleset, height: str, girth: str) -> str:
    """The colour of a size: hue by girth band, lightness by height band."""
    bands = ruleset.axes["height_band"].values
    step = bands.index(height) / max(len(bands) - 1, 1)
    hue = HUES[ruleset.axes["girth_band"].values.index(girth) % len(HUES)]
    red, green, blue = colorsys.hls_to_rgb(hue, 0.87 - 0.5 * step, 0.62)
    return f"#{round(red * 255):02x}{round(green * 255):02x}{round(blue * 255):02x}"


def _range(ruleset: Ruleset, axis: Axis) -> tuple[float, float]:
    """What is drawn along ``axis``: its edges and half as much again on both sides, within what is plausible."""
    assert axis.fact is not None
    fact: FactDefinition = ruleset.vocabulary[axis.fact]
    low, high = fact.range or (0.0, 1000.0)
    span = axis.edges[-1] - axis.edges[0]
    return max(low, axis.edges[0] - span / 2), min(high, axis.edges[-1] + span / 2)


def _grid(columns: Columns, panel: Panel, cells: int) -> _Grid:
    ruleset = columns.ruleset
    middles = []
    for name in ("height_band", "girth_band"):
        low, high = _range(ruleset, ruleset.axes[name])
        middles.append(low + (np.arange(cells) + 0.5) * (high - low) / cells)
    height, girth = middles
    known = [
        pl.lit(value, dtype=column_type(ruleset.vocabulary[name])).alias(name) for name, value in panel.known.items()
    ]
    table = pl.DataFrame(
        {"neck_height_mm": np.repeat(height, cells), "neck_circumference_mm": np.tile(girth, cells)}
    ).with_columns(known)
    decided = columns.decide(table, outputs=["axis:height_band", "axis:girth_band", "axis:line", "withheld"])
    sizes = [None if withheld else f"{line} {band} {width}" for band, width, line, withheld in decided.iter_rows()]
    return _Grid(height, girth, sizes)


def _panel(columns: Columns, panel: Panel, cells: int) -> Markup:
    grid = _grid(columns, panel, cells)
    ruleset = columns.ruleset
    side = _SIDE / cells
    parts, places = [], dict[str, list[tuple[int, int]]]()
    for row in range(cells):
        start = 0
        line = grid.sizes[row * cells : (row + 1) * cells]
        for column in range(1, cells + 1):
            if column == cells or line[column] != line[start]:
                size = line[start]
                if size is not None:
                    places.setdefault(size, []).append(((start + column) // 2, row))
                shade = _NONE if size is None else colour(ruleset, *size.split()[-2:])
                box = (start * side, _SIDE - (row + 1) * side, (column - start) * side, side)
                parts.append(
                    Markup('<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}"/>').format(*box, shade)
                )
                start = column
    labels = [_label(panel, size, found, side) for size, found in places.items()]
    fields = Markup('<g shape-rendering="crispEdges">{}</g>').format(Markup("").join(parts))
    return Markup("").join([fields, *labels, *_dots(ruleset, panel), _frame(ruleset, panel)])


def _label(panel: Panel, size: str, found: list[tuple[int, int]], side: float) -> Markup:
    """The bands in the middle of their field; where the measurements lead to another line than the panel's, that line."""
    line, height, girth = size.rsplit(" ", 2)
    column, row = found[len(found) // 2]
    words = f"{height} {girth}" if line == panel.known["apparent_age_group"] else line.replace("_", " ")
    return Markup(
        '<text x="{:.0f}" y="{:.0f}" text-anchor="middle" font-size="8" fill="{}"><title>{}</title>{}</text>'
    ).format(column * side, _SIDE - row * side + 3, "#fff" if height in ("H4", "H5") else INK, size, words)


def _dots(ruleset: Ruleset, panel: Panel) -> list[Markup]:
    """The cohort's patients, evenly thinned where they are very many."""
    (low, high), (left, right) = (_range(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
    step = max(len(panel.points) // _MOST_POINTS, 1)
    return [
        Markup('<circle cx="{:.1f}" cy="{:.1f}" r="2.2" fill="none" stroke="{}" stroke-width="0.9"/>').format(
            (girth - left) / (right - left) * _SIDE, _SIDE - (height - low) / (high - low) * _SIDE, INK
        )
        for height, girth in panel.points[::step]
        if low <= height <= high and left <= girth <= right
    ]


def _frame(ruleset: Ruleset, panel: Panel) -> Markup:
    (low, high), (left, right) = (_range(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
    marks = [
        Markup('<text x="-4" y="{:.1f}" text-anchor="end" font-size="8">{:g}</text>').format(
            _SIDE - (edge - low) / (high - low) * _SIDE + 3, edge
        )
        for edge in ruleset.axes["height_band"].edges
    ] + [
        Markup('<text x="{:.1f}" y="{}" text-anchor="middle" font-size="8">{:g}</text>').format(
            (edge - left) / (right - left) * _SIDE, _SIDE + 11, edge
        )
        for edge in ruleset.axes["girth_band"].edges
    ]
    shown = f" · {count(len(panel.points), 'patient')}" if panel.points else ""
    return Markup(
        '<text y="-6" font-weight="bold" font-size="11">{0}{1}</text><rect width="{2}" height="{2}" fill="none" stroke="{3}"/>'
        '<text x="{4}" y="{5}" text-anchor="middle" font-size="8">circumference (mm)</text>'
        '<text transform="translate(-26,{4}) rotate(-90)" text-anchor="middle" font-size="8">height (mm)</text>{6}'
    ).format(panel.title, shown, _SIDE, INK, _SIDE / 2, _SIDE + 22, Markup("").join(marks))


def _legend(ruleset: Ruleset) -> Markup:
    parts = []
    heights = ruleset.axes["height_band"].values
    for row, girth in enumerate(ruleset.axes["girth_band"].values):
        for place, height in enumerate(heights):
            x = row * 150 + place * 26
            words = f"{height} {girth}" if place == 0 else height
            swatch = Markup('<rect x="{}" width="25" height="14" fill="{}"/>').format(x, colour(ruleset, height, girth))
            parts += [
                swatch,
                Markup('<text x="{}" y="26" text-anchor="middle" font-size="8">{}</text>').format(x + 12, words),
            ]
    x = len(ruleset.axes["girth_band"].values) * 150
    none = Markup('<rect x="{}" width="25" height="14" fill="{}"/><text x="{}" y="10">no size</text>')
    return Markup("").join([*parts, none.format(x, _NONE, x + 30)])
