"""The pictures of a report as inline SVG: bars, grids of small squares, and number lines.

States and stretches differ in lightness and in shape or label as well as in hue, so that no reading rests on telling red
from green. The palette is our own; ``tests/cds/reports/test_reports.py`` holds it to a distance under simulated colour
blindness.
"""

from __future__ import annotations

from markupsafe import Markup

from cds.reports.model import Bars, Cell, Grid, NumberLine, Stacks, State

INK = "#1c2430"
PAPER = "#fbfaf7"
TRACK = "#e4e1d8"
COLOURS: dict[State, str] = {"good": "#2b6cb0", "bad": "#d1490b", "doubt": "#e8b33c", "quiet": "#b9b6ac"}
SHADES = ("#16324f", "#2b6cb0", "#78a9d8", "#e8b33c", "#d1490b", "#8f5a9c", "#b9b6ac", "#5c6b2f")

STACK = ("#16324f", "#2b6cb0", "#e8b33c", "#d1490b", "#b9b6ac")
"""From best to worst, for parts of one bar."""

_WIDTH = 720
_LABEL = 240
_ROW = 24
_SQUARE = 13


def bars(block: Bars) -> Markup:
    """Each bar filled to its share, with the numbers beside it."""
    state: State = "good" if block.good else "bad"
    room = _WIDTH - _LABEL - 90
    rows = []
    for index, bar in enumerate(block.bars):
        share = bar.part / bar.whole if bar.whole else 0.0
        y = index * _ROW
        rows.append(
            Markup(
                '{0}<rect x="{1}" y="{2}" width="{3}" height="14" rx="2" class="track"/>'
                '<rect x="{1}" y="{2}" width="{4:.1f}" height="14" rx="2" fill="{5}"/>'
                '<text x="{6}" y="{7}">{8} / {9}</text>'
            ).format(
                *(_named(bar.label, y + 15), _LABEL, y + 4, room, share * room, COLOURS[state]),
                *(_LABEL + room + 8, y + 15, bar.part, bar.whole),
            )
        )
    return _svg(block.title, len(block.bars) * _ROW + 4, Markup().join(rows))


def stacks(block: Stacks) -> Markup:
    """Each whole as one bar of shares, with a legend above; hover (or read aloud) for the numbers."""
    room = _WIDTH - _LABEL - 90
    parts, x = [], float(_LABEL)
    for name, shade in zip(block.parts, STACK, strict=False):
        mark = '<rect x="{}" y="2" width="11" height="11" fill="{}"/><text x="{}" y="12" class="small">{}</text>'
        parts.append(Markup(mark).format(x, shade, x + 15, name))
        x += 30 + 7 * len(name)
    for index, (label, counts) in enumerate(block.rows):
        y, whole, left = 22 + index * _ROW, sum(counts), float(_LABEL)
        parts.append(_named(label, y + 15))
        parts.append(Markup('<text x="{}" y="{}">{}</text>').format(_LABEL + room + 8, y + 15, whole))
        for name, number, shade in zip(block.parts, counts, STACK, strict=False):
            width = room * number / (whole or 1)
            field = '<rect x="{:.1f}" y="{}" width="{:.1f}" height="14" fill="{}"><title>{}: {} {}</title></rect>'
            parts.append(Markup(field).format(left, y + 4, width, shade, label, number, name))
            left += width
    return _svg(block.title, 22 + len(block.rows) * _ROW + 4, Markup().join(parts))


def grid(block: Grid) -> Markup:
    """A square for each thing, in groups, with a legend; hover (or read aloud) for its name."""
    across = (_WIDTH - _LABEL) // (_SQUARE + 3)
    parts = []
    y = 0
    for name, cells in block.groups.items():
        parts.append(_named(name.replace("_", " "), y + 12))
        for index, cell in enumerate(cells):
            row, column = divmod(index, across)
            parts.append(_square(cell, _LABEL + column * (_SQUARE + 3), y + row * (_SQUARE + 3)))
        y += (max(len(cells) - 1, 0) // across + 1) * (_SQUARE + 3) + 8
    x = _LABEL
    for state, words in block.legend.items():
        width = _SQUARE + 24 + 6 * len(words)
        if x > _LABEL and x + width > _WIDTH:
            x, y = _LABEL, y + 20
        parts.append(_square(Cell(words, state), x, y + 8))
        parts.append(Markup('<text x="{}" y="{}" class="small">{}</text>').format(x + _SQUARE + 5, y + 19, words))
        x += width
    return _svg(block.title, y + 30, Markup().join(parts))


def _named(label: str, y: float) -> Markup:
    """``label`` before its row; a long one is set closer, as what stands out to the left would be lost."""
    words = _cut(label, 36)
    closer = Markup(' textLength="{}" lengthAdjust="spacingAndGlyphs"').format(_LABEL - 12) if len(words) > 30 else ""
    return Markup('<text x="{}" y="{}" text-anchor="end"{}>{}</text>').format(_LABEL - 10, y, closer, words)


_SHAPES: dict[State, str] = {
    "good": "",
    "bad": '<path d="M{a} {b}l7 7m0 -7l-7 7" stroke="#fff" stroke-width="2"/>',
    "doubt": '<path d="M{a} {c}h7" stroke="#1c2430" stroke-width="2"/>',
    "quiet": "",
}


def _square(cell: Cell, x: int, y: int) -> Markup:
    shape = Markup(_SHAPES[cell.state].format(a=x + 3, b=y + 3, c=y + 6.5))
    return Markup('<g><title>{}</title><rect x="{}" y="{}" width="{}" height="{}" rx="{}" fill="{}"/>{}</g>').format(
        cell.label, x, y, _SQUARE, _SQUARE, 6 if cell.state == "quiet" else 2, COLOURS[cell.state], shape
    )


def number_line(block: NumberLine) -> Markup:
    """The stretches side by side to scale, each labelled, and a marker where the patient stands."""
    low, high = block.stretches[0].low, block.stretches[-1].high
    scale = (_WIDTH - 40) / ((high - low) or 1)
    labels = list(dict.fromkeys(part.label for part in block.stretches))
    parts = []
    for part in block.stretches:
        x, width = 20 + (part.low - low) * scale, (part.high - part.low) * scale
        shown = part.label if 7 * len(part.label) < width else ""
        colour = SHADES[labels.index(part.label) % len(SHADES)]
        dark = colour in (SHADES[0], SHADES[1], SHADES[4], SHADES[5], SHADES[7])
        parts.append(
            Markup(
                '<g><title>{0:g} to {1:g}: {2}</title><rect x="{3:.1f}" y="16" width="{4:.1f}" height="24" fill="{5}"/>'
                '<text x="{6:.1f}" y="32" text-anchor="middle" class="small" fill="{7}">{8}</text></g>'
                '<text x="{3:.1f}" y="54" class="small" text-anchor="middle">{0:g}</text>'
            ).format(
                *(part.low, part.high, part.label, x, width, colour, x + width / 2),
                *("#fff" if dark else INK, shown),
            )
        )
    parts.append(
        Markup('<text x="{}" y="54" class="small" text-anchor="end">{:g} {}</text>').format(_WIDTH, high, block.unit)
    )
    if block.here is not None:
        x = 20 + (block.here - low) * scale
        parts.append(
            Markup(
                '<path d="M{0:.1f} 15l-6 -11h12z" class="here"/><path d="M{0:.1f} 15v26" class="here" stroke-width="2"/>'
            ).format(x)
        )
    x, y = 20.0, 70
    for label in labels:
        width = 24 + 7 * len(label)
        if x > 20 and x + width > _WIDTH:
            x, y = 20.0, y + 18
        colour = SHADES[labels.index(label) % len(SHADES)]
        parts.append(
            Markup(
                '<rect x="{}" y="{}" width="11" height="11" fill="{}"/><text x="{}" y="{}" class="small">{}</text>'
            ).format(x, y, colour, x + 15, y + 10, label)
        )
        x += width
    return _svg(block.title, y + 18, Markup().join(parts))


def _svg(title: str, height: float, content: Markup) -> Markup:
    return Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(_WIDTH, height, title, content)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
