"""The decision map: which size the rules give over neck height and circumference, small multiples by situation, as SVG.

Fields are drawn exactly where the rules tell answers apart. Hue shows the girth band and lightness the height band, and each
field is labelled as well. Where the measurements lead to another line than the panel's, the fields are hatched and the panel
names that line. Patients of a cohort are rings with a light rim. So nothing rests on telling two colours apart.
"""

from __future__ import annotations

import colorsys
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from markupsafe import Markup

from cds.reports.report_blocks import Block, Pictures, Report, Table, Words, about, count
from cds.reports.size_chart_geometry import _MOST_POINTS, ChartField, Panel, Span, axis_range, fields
from cds.reports.svg import INK, PAPER
from rules.batch.polars_backend import Columns
from rules.evaluation.hit_policy import sizing_part
from rules.model.quantity_words import value_words
from rules.model.ruleset import Ruleset

HUES = (0.58, 0.10, 0.93, 0.42, 0.76, 0.02)
"""Blue, amber, magenta, green ...: our own, told apart under the common colour blindnesses by hue or by lightness."""
_NONE = "#d8d4ca"
_SIDE = 260
_GAP = 46
_LETTER = 4.7
"""About how wide a letter of a label is."""
_HATCH = 6
CELL_MM = (5.0, 20.0)
"""Height and circumference of a cell in which patients are counted."""


def mapped(ruleset: Ruleset, shown: Sequence[Panel]) -> Report:
    """The map of ``ruleset`` as a report: a picture of each panel of ``shown``, and the same fields as tables and data."""
    columns = Columns(sizing_part(ruleset))
    found = [(panel, fields(columns, panel)) for panel in shown]
    blocks: list[Block] = [
        Words(
            "The size to try first where neck height and circumference are measured and nothing else is known but the line and "
            "whether the patient lies in bed. Hatched: the measurements lead to another line. Rings are patients, evenly thinned "
            "where there are many."
        ),
        Pictures("By line and posture", [_alone(ruleset, panel, fields) for panel, fields in found]),
        Pictures("Colours", [legend(ruleset)]),
    ]
    blocks += [_table(panel, fields) for panel, fields in found]
    patients = sum(len(panel.points) for panel in shown)
    return Report(
        title="Decision map",
        about=about(ruleset),
        summary=f"{count(len(shown), 'situation')}, {count(patients, 'patient')} with both measurements.",
        findings=0,
        blocks=blocks,
        data={
            "situations": [
                {
                    "title": panel.title,
                    "known": dict(panel.known),
                    "fields": [_data(field) for field in fields],
                    "patients": len(panel.points),
                    "cells": _counted(panel.points),
                }
                for panel, fields in found
            ]
        },
    )


def _data(field: ChartField) -> dict[str, Any]:
    return {
        "neck_height_mm": list(field.height),
        "neck_circumference_mm": list(field.girth),
        "size": " ".join(field.size) if field.size else None,
    }


def _counted(points: Sequence[tuple[float, float]]) -> list[dict[str, Any]]:
    """How many of ``points`` lie in each cell of ``CELL_MM``: what can be passed on where no patient's values may be."""
    cells = Counter(tuple(value // step * step for value, step in zip(point, CELL_MM, strict=True)) for point in points)
    return [
        {
            "neck_height_mm": [height, height + CELL_MM[0]],
            "neck_circumference_mm": [girth, girth + CELL_MM[1]],
            "patients": patients,
        }
        for (height, girth), patients in sorted(cells.items())
    ]


def _table(panel: Panel, fields: Sequence[ChartField]) -> Table:
    """Heights down, girths across."""
    rows = [list(row) for _, row in groupby(fields, key=lambda field: field.height)]
    columns = tuple(f"{_span(field.girth)} mm" for field in rows[0])
    return Table(
        f"{panel.title}: height by circumference",
        ("height", *columns),
        [(f"{_span(row[0].height)} mm", *(field.said for field in row)) for row in reversed(rows)],
    )


def _span(span: Span) -> str:
    """``span`` in whole millimetres, as a neck is measured: from an edge at 47.5 mm on, 48 is the first to be read."""
    return f"{math.ceil(span[0])} to {math.ceil(span[1])}"


def size_map(ruleset: Ruleset, shown: Sequence[Panel]) -> Markup:
    """The panels of ``shown`` side by side, four a row, as one SVG picture with a legend of the colours of ``ruleset``."""
    columns = Columns(sizing_part(ruleset))
    across = min(len(shown), 4)
    down = -(-len(shown) // across)
    drawn = Markup("").join(
        Markup('<g transform="translate({},{})">{}</g>').format(
            _GAP + index % across * (_SIDE + _GAP),
            24 + index // across * (_SIDE + _GAP + 20),
            _panel(ruleset, panel, fields(columns, panel)),
        )
        for index, panel in enumerate(shown)
    )
    width, height = across * (_SIDE + _GAP) + _GAP, down * (_SIDE + _GAP + 20) + 60
    below = Markup('<g transform="translate({},{})">{}</g>').format(_GAP, height - 44, _legend(ruleset))
    return _svg(width, height, "Size by neck height and circumference", drawn + below)


def _alone(ruleset: Ruleset, panel: Panel, fields: Sequence[ChartField]) -> Markup:
    """One panel as a picture of its own."""
    drawn = Markup('<g transform="translate({},24)">{}</g>').format(_GAP, _panel(ruleset, panel, fields))
    return _svg(_GAP + _SIDE + 12, _SIDE + 54, f"Size by neck height and circumference: {panel.title}", drawn)


def legend(ruleset: Ruleset) -> Markup:
    """The colours of the sizes of ``ruleset`` as a picture of its own."""
    drawn = Markup('<g transform="translate(12,8)">{}</g>').format(_legend(ruleset))
    return _svg(150 * len(ruleset.axes["girth_band"].values) + 110, 42, "Colours of the sizes", drawn)


def _svg(width: float, height: float, title: str, content: Markup) -> Markup:
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1}" role="img" font-family="sans-serif" font-size="10" '
        'fill="{2}" aria-label="{3}"><rect width="{0}" height="{1}" fill="{4}"/>{5}</svg>'
    ).format(width, height, INK, title, PAPER, content)


def colour(ruleset: Ruleset, height: str, girth: str) -> str:
    """The colour (``#rrggbb``) of a size of ``ruleset``: hue by the band ``girth``, lightness by the band ``height``."""
    bands = ruleset.axes["height_band"].values
    step = bands.index(height) / max(len(bands) - 1, 1)
    hue = HUES[ruleset.axes["girth_band"].values.index(girth) % len(HUES)]
    red, green, blue = colorsys.hls_to_rgb(hue, 0.87 - 0.5 * step, 0.62)
    return f"#{round(red * 255):02x}{round(green * 255):02x}{round(blue * 255):02x}"


def _panel(ruleset: Ruleset, panel: Panel, fields: Sequence[ChartField]) -> Markup:
    places = [(field, *_place(ruleset, field)) for field in fields]
    other = sorted(
        {field.size[0] for field in fields if field.size and field.size[0] != panel.known["apparent_age_group"]}
    )
    boxes = [_box(_shade(ruleset, field), _words(field), *place) for field, *place in places]
    hatched = [_hatched(*place) for field, *place in places if field.size and field.size[0] in other]
    labels = [_label(ruleset, field, *place) for field, *place in places if field.size]
    named = " · hatched: " + ", ".join(map(value_words, other)) if other else ""
    return Markup("").join([*boxes, *hatched, *_dots(ruleset, panel), *labels, _frame(ruleset, panel, named)])


def _box(shade: str, words: str, x: float, y: float, width: float, height: float) -> Markup:
    return Markup(
        '<rect x="{:.1f}" y="{:.1f}" width="{:.1f}" height="{:.1f}" fill="{}" stroke="{}" stroke-width="0.5">'
        "<title>{}</title></rect>"
    ).format(x, y, width, height, shade, PAPER, words)


def _place(ruleset: Ruleset, field: ChartField) -> tuple[float, float, float, float]:
    """Left, top, width and height of ``field`` in its panel."""
    (low, high), (left, right) = (axis_range(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
    across, up = _SIDE / (right - left), _SIDE / (high - low)
    return (
        (field.girth[0] - left) * across,
        (high - field.height[1]) * up,
        (field.girth[1] - field.girth[0]) * across,
        (field.height[1] - field.height[0]) * up,
    )


def _shade(ruleset: Ruleset, field: ChartField) -> str:
    return _NONE if field.size is None else colour(ruleset, *field.size[1:])


def _words(field: ChartField) -> str:
    return f"{field.said}: height {_span(field.height)} mm, circumference {_span(field.girth)} mm"


def _hatched(x: float, y: float, width: float, height: float) -> Markup:
    """Slanting lines over a rectangle."""
    lines = "".join(_slants(x, y, width, height))
    return Markup('<path d="{}" fill="none" stroke="{}" stroke-width="1.4" stroke-opacity="0.6"/>').format(lines, PAPER)


def _slants(x: float, y: float, width: float, height: float) -> Iterator[str]:
    """Lines that rise to the right, cut off at the rectangle; those of neighbouring rectangles meet."""
    start = (x + y) // _HATCH * _HATCH
    for step in range(int((width + height) // _HATCH) + 2):
        total = start + step * _HATCH
        left, right = max(x, total - y - height), min(x + width, total - y)
        if left < right:
            yield f"M{left:.1f} {total - left:.1f}L{right:.1f} {total - right:.1f}"


def _label(ruleset: Ruleset, field: ChartField, x: float, y: float, width: float, height: float) -> Markup:
    """The bands in the middle of their field, upright where it is too narrow, and left to the legend where it is too small."""
    assert field.size is not None
    words = " ".join(field.size[1:])
    long = len(words) * _LETTER
    if (long > width or height < 9) and (long > height or width < 9):
        return Markup("")
    at = (x + width / 2, y + height / 2)
    turn = Markup("") if long <= width else Markup(' transform="rotate(-90 {:.1f} {:.1f})"').format(*at)
    shade = colour(ruleset, *field.size[1:])
    ink = _readable(shade)
    return Markup(
        '<text x="{:.1f}" y="{:.1f}"{} text-anchor="middle" font-size="8" fill="{}" stroke="{}" stroke-width="2.4" '
        'paint-order="stroke">{}</text>'
    ).format(at[0], at[1] + 3, turn, ink, shade, words)


def _readable(shade: str) -> str:
    """Black or white, whichever contrasts more with ``shade`` (relative luminance and contrast as WCAG 2 defines them).

    The better of these two has 4.58 to 1 or more on any shade; with a softer black some shades have nothing that can be read.
    """
    red, green, blue = (_linear(int(shade[place : place + 2], 16) / 255) for place in (1, 3, 5))
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return "#000000" if (luminance + 0.05) / 0.05 > 1.05 / (luminance + 0.05) else "#ffffff"


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else float(((channel + 0.055) / 1.055) ** 2.4)


def _dots(ruleset: Ruleset, panel: Panel) -> list[Markup]:
    """The cohort's patients, evenly thinned where they are very many."""
    (low, high), (left, right) = (axis_range(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
    step = max(len(panel.points) // _MOST_POINTS, 1)
    return [
        Markup(
            '<circle cx="{0:.1f}" cy="{1:.1f}" r="2" fill="none" stroke="{2}" stroke-width="1.8"/>'
            '<circle cx="{0:.1f}" cy="{1:.1f}" r="2" fill="none" stroke="{3}" stroke-width="0.8"/>'
        ).format((girth - left) / (right - left) * _SIDE, _SIDE - (height - low) / (high - low) * _SIDE, PAPER, INK)
        for height, girth in panel.points[::step]
        if low <= height <= high and left <= girth <= right
    ]


def _frame(ruleset: Ruleset, panel: Panel, named: str) -> Markup:
    (low, high), (left, right) = (axis_range(ruleset, ruleset.axes[name]) for name in ("height_band", "girth_band"))
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
        '<text y="-6" font-weight="bold" font-size="11">{0}<tspan font-weight="normal" font-size="10">{1}</tspan></text>'
        '<rect width="{2}" height="{2}" fill="none" stroke="{3}"/>'
        '<text x="{4}" y="{5}" text-anchor="middle" font-size="8">circumference (mm)</text>'
        '<text transform="translate(-26,{4}) rotate(-90)" text-anchor="middle" font-size="8">height (mm)</text>{6}'
    ).format(panel.title, named + shown, _SIDE, INK, _SIDE / 2, _SIDE + 22, Markup("").join(marks))


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
