"""The pictures of a report as inline SVG: bars, grids of small squares, and number lines.

States and stretches differ in lightness and in shape or label as well as in hue, so that no reading rests on telling red
from green. The palette is our own; ``tests/cds/reports/test_reports.py`` holds it to a distance under simulated colour
blindness.
"""

from __future__ import annotations

from markupsafe import Markup

from cds.reports.report_blocks import Bars, Grid, GridCell, NumberLine, Stacks, State

INK = "#1c2430"
PAPER = "#fbfaf7"
TRACK = "#e4e1d8"
COLOURS: dict[State, str] = {"good": "#2b6cb0", "bad": "#d1490b", "doubt": "#e8b33c", "quiet": "#b9b6ac"}
SHADES = ("#16324f", "#2b6cb0", "#78a9d8", "#e8b33c", "#d1490b", "#8f5a9c", "#b9b6ac", "#5c6b2f")

STACK = ("#16324f", "#2b6cb0", "#e8b33c", "#d1490b", "#b9b6ac")
"""From best to worst, for parts of one bar."""

_WIDTH = 328
"""What a phone of 360 pixels leaves beside the margins: the pictures fit there, and are a little larger on wider screens."""
_ROW = 38
_SQUARE = 13
_LETTER = 6.6
"""About how wide a letter is."""


def bars(block: Bars) -> Markup:
    """Each bar of ``block`` filled to its share, with its name and the numbers above it."""
    state: State = "good" if block.good else "bad"
    rows = []
    for index, bar in enumerate(block.bars):
        share = bar.part / bar.whole if bar.whole else 0.0
        y = index * _ROW
        rows.append(
            Markup(
                '{0}<rect x="0" y="{1}" width="{2}" height="12" rx="2" class="track"/>'
                '<rect x="0" y="{1}" width="{3:.1f}" height="12" rx="2" fill="{4}"/>'
            ).format(
                *(_named(bar.label, y + 13, f"{bar.part} / {bar.whole}"), y + 19, _WIDTH, share * _WIDTH),
                COLOURS[state],
            )
        )
    return _svg(block.title, len(block.bars) * _ROW, Markup().join(rows))


def stacks(block: Stacks) -> Markup:
    """Each whole of ``block`` as one bar of shares, with a legend above; hover (or read aloud) for the numbers."""
    parts, x, y = [], 0.0, 0
    for name, shade in zip(block.parts, STACK, strict=False):
        wide = 26 + _LETTER * len(name)
        if x and x + wide > _WIDTH:
            x, y = 0.0, y + 18
        mark = '<rect x="{}" y="{}" width="11" height="11" fill="{}"/><text x="{}" y="{}" class="small">{}</text>'
        parts.append(Markup(mark).format(x, y + 2, shade, x + 15, y + 12, name))
        x += wide
    above = y + 24
    for index, (label, counts) in enumerate(block.rows):
        y, whole, left = above + index * _ROW, sum(counts), 0.0
        parts.append(_named(label, y + 13, str(whole)))
        for name, number, shade in zip(block.parts, counts, STACK, strict=False):
            width = _WIDTH * number / (whole or 1)
            field = '<rect x="{:.1f}" y="{}" width="{:.1f}" height="12" fill="{}"><title>{}: {} {}</title></rect>'
            parts.append(Markup(field).format(left, y + 19, width, shade, label, number, name))
            left += width
    return _svg(block.title, above + len(block.rows) * _ROW, Markup().join(parts))


def grid(block: Grid) -> Markup:
    """A square for each thing of ``block``, in groups, with a legend; hover (or read aloud) for its name."""
    across = _WIDTH // (_SQUARE + 3)
    parts = []
    y = 0
    for name, cells in block.groups.items():
        parts.append(_named(name.replace("_", " "), y + 13))
        for index, cell in enumerate(cells):
            row, column = divmod(index, across)
            parts.append(_square(cell, column * (_SQUARE + 3), y + 19 + row * (_SQUARE + 3)))
        y += 19 + (max(len(cells) - 1, 0) // across + 1) * (_SQUARE + 3) + 6
    x = 0.0
    for state, words in block.legend.items():
        width = _SQUARE + 13 + _LETTER * len(words)
        if x and x + width > _WIDTH:
            x, y = 0.0, y + 20
        parts.append(_square(GridCell(words, state), round(x), y + 8))
        parts.append(Markup('<text x="{:.1f}" y="{}" class="small">{}</text>').format(x + _SQUARE + 5, y + 19, words))
        x += width
    return _svg(block.title, y + 30, Markup().join(parts))


def _named(label: str, y: float, numbers: str = "") -> Markup:
    """``label`` and ``numbers`` at the two ends of the line above a row; what does not fit between them is cut."""
    words = _cut(label, int((_WIDTH - 12) / _LETTER - len(numbers)))
    return Markup('<text x="0" y="{0}">{1}</text><text x="{2}" y="{0}" text-anchor="end">{3}</text>').format(
        y, words, _WIDTH, numbers
    )


_SHAPES: dict[State, str] = {
    "good": "",
    "bad": '<path d="M{a} {b}l7 7m0 -7l-7 7" stroke="#fff" stroke-width="2"/>',
    "doubt": '<path d="M{a} {c}h7" stroke="#1c2430" stroke-width="2"/>',
    "quiet": "",
}


def _square(cell: GridCell, x: int, y: int) -> Markup:
    shape = Markup(_SHAPES[cell.state].format(a=x + 3, b=y + 3, c=y + 6.5))
    return Markup('<g><title>{}</title><rect x="{}" y="{}" width="{}" height="{}" rx="{}" fill="{}"/>{}</g>').format(
        cell.label, x, y, _SQUARE, _SQUARE, 6 if cell.state == "quiet" else 2, COLOURS[cell.state], shape
    )


def number_line(block: NumberLine) -> Markup:
    """The stretches of ``block`` side by side to scale, each labelled, and a marker where the patient stands."""
    low, high = block.stretches[0].low, block.stretches[-1].high
    scale = (_WIDTH - 16) / ((high - low) or 1)
    labels = list(dict.fromkeys(part.label for part in block.stretches))
    end = f"{high:g} {block.unit}".strip()
    parts = []
    free, last = 0.0, _WIDTH - _LETTER * len(end) - 6
    for part in block.stretches:
        x, width = 8 + (part.low - low) * scale, (part.high - part.low) * scale
        shown = part.label if _LETTER * len(part.label) < width else ""
        colour = SHADES[labels.index(part.label) % len(SHADES)]
        dark = colour in (SHADES[0], SHADES[1], SHADES[4], SHADES[5], SHADES[7])
        parts.append(
            Markup(
                '<g><title>{0:g} to {1:g}: {2}</title><rect x="{3:.1f}" y="16" width="{4:.1f}" height="24" fill="{5}"/>'
                '<text x="{6:.1f}" y="32" text-anchor="middle" class="small" fill="{7}">{8}</text></g>'
            ).format(part.low, part.high, part.label, x, width, colour, x + width / 2, "#fff" if dark else INK, shown)
        )
        edge = f"{part.low:g}"
        left = max(x - _LETTER * len(edge) / 2, 0.0)
        # An edge whose number would run into its neighbour is told by the title of its stretch.
        if left >= free and left + _LETTER * len(edge) <= last:
            parts.append(Markup('<text x="{:.1f}" y="54" class="small">{}</text>').format(left, edge))
            free = left + _LETTER * len(edge) + 6
    parts.append(Markup('<text x="{}" y="54" class="small" text-anchor="end">{}</text>').format(_WIDTH, end))
    if block.here is not None:
        x = 8 + (block.here - low) * scale
        parts.append(
            Markup(
                '<path d="M{0:.1f} 15l-6 -11h12z" class="here"/><path d="M{0:.1f} 15v26" class="here" stroke-width="2"/>'
            ).format(x)
        )
    x, y = 0.0, 70
    for label in labels:
        words = _cut(label, int((_WIDTH - 15) / _LETTER))
        width = 24 + _LETTER * len(words)
        if x and x + width > _WIDTH:
            x, y = 0.0, y + 18
        colour = SHADES[labels.index(label) % len(SHADES)]
        parts.append(
            Markup(
                '<rect x="{:.1f}" y="{}" width="11" height="11" fill="{}"/><text x="{:.1f}" y="{}" class="small">{}</text>'
            ).format(x, y, colour, x + 15, y + 10, words)
        )
        x += width
    return _svg(block.title, y + 18, Markup().join(parts))


def _svg(title: str, height: float, content: Markup) -> Markup:
    return Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>').format(_WIDTH, height, title, content)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
