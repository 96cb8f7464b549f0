"""The pictures of docs/benchmarks.md, as SVG: drawn from the recorded figures and from nothing else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import log10

from markupsafe import Markup

from cds.reports.svg import INK, PAPER, SHADES, TRACK
from tests.bench.child import ROOT
from tests.bench.over_http.figures import Figures

FOLDER = ROOT / "docs" / "pictures"
_WIDTH, _HEIGHT = 720, 320
_LEFT, _RIGHT, _TOP, _BOTTOM = 70, 200, 56, 50

Curves = Mapping[str, Sequence[tuple[float, float]]]


def pictures(figures: Figures) -> dict[str, str]:
    """Each picture by the name of its file."""
    return {
        "bench-latency.svg": curves("Time to the answer against load", "connections", "ms", dict(_latencies(figures))),
        "bench-stages.svg": bars("A typical call by stage, one connection", "ms", figures.stages),
        "bench-growth.svg": curves(
            "Cost against size",
            "resources, facts or rules",
            "ms of processor time",
            {
                "call, by resources": figures.by_resources,
                "call, by facts": figures.by_facts,
                "decision, by rules": figures.by_rules,
            },
        ),
    }


def draw(figures: Figures) -> None:
    """Write the pictures into docs/."""
    for name, text in pictures(figures).items():
        (FOLDER / name).write_text(text)


def _latencies(figures: Figures) -> Iterator[tuple[str, list[tuple[float, float]]]]:
    """Of each call p50 and p99 by the number of connections, each of which sends its next call when one is answered."""
    for call in dict.fromkeys(row.call for row in figures.rows):
        rows = [row for row in figures.rows if row.call == call]
        yield f"{call}, p50", [(row.connections, row.service.p50) for row in rows]
        yield f"{call}, p99", [(row.connections, row.service.p99) for row in rows]


def curves(title: str, across: str, up: str, drawn: Curves) -> str:
    """Curves with marks, both axes in powers of ten."""
    points = [point for curve in drawn.values() for point in curve]
    x_axis = _Axis([x for x, _ in points], _LEFT, _WIDTH - _RIGHT)
    y_axis = _Axis([y for _, y in points], _HEIGHT - _BOTTOM, _TOP)
    parts = [_text(_WIDTH / 2 - _RIGHT / 2, _HEIGHT - 8, across, "middle"), _text(8, _TOP - 16, up)]
    for value in x_axis.marks:
        parts += [_line(x_axis.at(value), _TOP, x_axis.at(value), _HEIGHT - _BOTTOM)]
        parts += [_text(x_axis.at(value), _HEIGHT - _BOTTOM + 16, f"{value:g}", "middle")]
    for value in y_axis.marks:
        parts += [_line(_LEFT, y_axis.at(value), _WIDTH - _RIGHT, y_axis.at(value))]
        parts += [_text(_LEFT - 6, y_axis.at(value) + 4, f"{value:g}", "end")]
    for number, (name, curve) in enumerate(drawn.items()):
        shade, dashes = SHADES[number % len(SHADES)], "" if number % 2 == 0 else "6 3"
        path = " ".join(f"{x_axis.at(x):.1f},{y_axis.at(y):.1f}" for x, y in curve)
        mark = Markup('<polyline points="{}" fill="none" stroke="{}" stroke-width="2" stroke-dasharray="{}"/>')
        parts += [mark.format(path, shade, dashes), *(_dot(x_axis.at(x), y_axis.at(y), shade) for x, y in curve)]
        y = _TOP + 20 * number
        parts += [_dot(_WIDTH - _RIGHT + 20, y, shade), _text(_WIDTH - _RIGHT + 30, y + 4, name)]
    return _picture(title, _HEIGHT, parts)


def bars(title: str, unit: str, drawn: Mapping[str, float]) -> str:
    """One bar a line, with its figure."""
    label, room = 290, _WIDTH - 290 - 110
    most = max(drawn.values())
    parts = []
    for number, (name, value) in enumerate(drawn.items()):
        y, width = _TOP + 28 * number, room * value / most
        parts += [
            _text(label - 10, y + 13, name, "end"),
            Markup('<rect x="{}" y="{}" width="{:.1f}" height="18" fill="{}"/>').format(label, y, width, SHADES[1]),
            _text(label + width + 8, y + 13, f"{value:.2f} {unit}"),
        ]
    return _picture(title, _TOP + 28 * len(drawn) + 10, parts)


class _Axis:
    """Positions of values between ``start`` and ``end``, in powers of ten."""

    def __init__(self, values: Sequence[float], start: float, end: float) -> None:
        self._low, self._high = log10(min(values)), log10(max(values))
        self._start, self._end = start, end
        whole = range(round(self._low - 1), round(self._high + 1) + 1)
        steps = [step * 10.0**power for power in whole for step in (1, 2, 5)]
        self.marks = [value for value in steps if self._low <= log10(value) <= self._high]

    def at(self, value: float) -> float:
        share = (log10(value) - self._low) / ((self._high - self._low) or 1)
        return self._start + share * (self._end - self._start)


def _text(x: float, y: float, words: str, anchor: str = "start") -> Markup:
    return Markup('<text x="{:.1f}" y="{:.1f}" text-anchor="{}" fill="{}">{}</text>').format(x, y, anchor, INK, words)


def _line(x1: float, y1: float, x2: float, y2: float) -> Markup:
    return Markup('<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" stroke="{}"/>').format(x1, y1, x2, y2, TRACK)


def _dot(x: float, y: float, shade: str) -> Markup:
    return Markup('<circle cx="{:.1f}" cy="{:.1f}" r="4" fill="{}"/>').format(x, y, shade)


def _picture(title: str, height: float, parts: Sequence[Markup]) -> str:
    head = Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {0} {1:.0f}" role="img" aria-label="{2}" '
        'font-family="sans-serif" font-size="13"><rect width="100%" height="100%" fill="{3}"/>'
        '<text x="8" y="18" font-weight="bold" fill="{4}">{2}</text>'
    ).format(_WIDTH, height, title, PAPER, INK)
    return head + Markup().join(parts) + Markup("</svg>\n")
