"""The downtime sheet on paper: both sides of one A4 sheet as PDF, and the same as an HTML page that prints alike.

The front is for sizing: reasons to give no size, and the questions. The back says what a size stands for, and is for care: what
everybody gets, and cautions.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from fpdf import FPDF
from markupsafe import Markup

from cds.reports.downtime_sheet import (
    ASK,
    CAUTIONS,
    EVERYBODY,
    GO_TO,
    HOW,
    SHELF,
    SIZES,
    STOP,
    Sheet,
    SheetQuestion,
    SheetSection,
    plain,
)
from rules.errors import NuqueError

_SIZES = (9.0, 8.75, 8.5, 8.25, 8.0, 7.75, 7.5, 7.25, 7.0)
"""Sizes of type, in points, that are tried until each side fits one page."""
READABLE = 8.0
"""Type smaller than this, in points, is hard to read on paper at arm's length (common practice, no source)."""

STYLE = """
@page { margin: 6mm 8mm }
* { box-sizing: border-box }
body { font: 8pt/1.1 Helvetica, Arial, "Liberation Sans", "DejaVu Sans Condensed", sans-serif; color: #111;
  max-width: 194mm; margin: 0 auto; -webkit-print-color-adjust: exact; print-color-adjust: exact }
header { display: flex; flex-wrap: wrap; justify-content: space-between; align-items: baseline; gap: 0 4mm }
h1 { font-size: 12pt; margin: 0 }
h2 { font-size: 9pt; margin: 0.8mm 0 0.3mm; border-bottom: 0.5mm solid #111 }
h3 { font-size: 8.5pt; margin: 0 0 0.3mm; padding: 0 1.2mm; background: #333; color: #fff }
h3.group { font-size: 8pt; margin: 0.6mm 0 0; padding: 0; background: none; color: inherit; break-after: avoid }
p, ul { margin: 0.2mm 0 }
ul { padding-left: 3mm; columns: 2; column-gap: 6mm }
.one { columns: 1 }
.stop { border: 0.6mm solid #111; padding: 0.2mm 1.6mm }
.stop div { display: grid; grid-template-columns: 58mm 1fr; gap: 2mm }
.ask { columns: 2; column-gap: 6mm }
.ask > div { display: contents }
.row { break-inside: avoid; display: grid; grid-template-columns: 5.5mm 1fr; border-bottom: 0.2mm solid #aaa }
.q { font-weight: bold; margin-right: 0.6mm }
.a { display: inline-block; margin-right: 0.6mm }
.a b { background: #dedede; padding: 0 0.4mm }
.a i { font-weight: bold }
.n { padding-left: 5.5mm }
.back { break-before: page }
footer { font-size: 7pt; margin-top: 0.6mm }
@media screen { html { background: #fff; color-scheme: light } }
@media screen and (min-width: 300mm) { body { zoom: 1.5 } }
@media screen and (max-width: 190mm) {
  body { font-size: 12pt; padding: 3mm } .stop div { grid-template-columns: 1fr; gap: 0; padding: 1mm 0 } ul, .ask { columns: 1 }
  h1 { font-size: 16pt } h2, h3, h3.group { font-size: 12pt } .row { grid-template-columns: 8mm 1fr } section { margin-bottom: 4mm }
  footer { font-size: 10pt }
}
"""
"""Style of the page: the same for every sheet, on A4 and on Letter."""


def as_html(sheet: Sheet) -> str:
    """``sheet`` as a self-contained page."""
    return Markup(
        "<!doctype html><html lang=en><meta charset=utf-8>"
        '<meta name=viewport content="width=device-width, initial-scale=1"><title>{title}</title><style>{style}</style>'
        "<header><h1>{title}</h1><span>{about}</span></header><main><h2>{stop}</h2><div class=stop>{stops}</div>"
        "<h2>{ask}</h2><p>{how}</p><div class=ask>{columns}</div>"
        "<h2 class=back>{named}</h2><ul class=one>{sizes}</ul>{shelf}"
        "<h2>{everybody}</h2><ul>{tasks}</ul><h2>{warned}</h2>{cautions}</main>"
        "<footer>{foot}</footer></html>\n"
    ).format(
        title=sheet.title,
        style=Markup(STYLE),
        about=sheet.about,
        stop=STOP,
        stops=_each("<div><b>{}</b><span>{}</span></div>", sheet.stops),
        ask=ASK,
        how=HOW,
        columns=_each("<div>{}</div>", ((_each_section(column),) for column in sheet.columns)),
        everybody=EVERYBODY,
        named=SIZES,
        sizes=_listed_as_html(sheet.sizes),
        shelf=_each("<h2>{}</h2><ul>{}</ul>", [(SHELF, _listed_as_html(sheet.shelf))] if sheet.shelf else ()),
        tasks=_listed_as_html(sheet.tasks),
        warned=CAUTIONS,
        cautions=_each(
            "<h3 class=group>{}</h3><ul>{}</ul>", ((name, _listed_as_html(lines)) for name, lines in sheet.cautions)
        ),
        foot=sheet.foot,
    )


def _each(pattern: str, values: Iterable[Sequence[str]]) -> Markup:
    """``pattern`` filled with each of ``values``, one after the other."""
    return Markup("").join(Markup(pattern).format(*value) for value in values)


def _listed_as_html(lines: Iterable[str]) -> Markup:
    return _each("<li>{}</li>", ((line,) for line in lines))


def _each_section(sections: Sequence[SheetSection]) -> Markup:
    return _each(
        "<section><h3>{}</h3>{}{}</section>",
        (
            (
                section.title.capitalize(),
                Markup("").join(_row_as_html(row) for row in section.rows),
                _each("<p class=n>{}</p>", ((note,) for note in section.notes)),
            )
            for section in sections
        ),
    )


def _row_as_html(row: SheetQuestion) -> Markup:
    answers = Markup("").join(
        Markup("<span class=a>{} {}</span> ").format(
            answer, Markup("<i>{}</i>" if leads.startswith(GO_TO) else "<b>{}</b>").format(leads)
        )
        for answer, leads in row.answers
    )
    found = Markup(" ").join(Markup("<span class=a>{}</span>").format(words) for words in _listed(row.found))
    return Markup("<div class=row><b>{}</b><div><span class=q>{}</span> {} {}</div></div>").format(
        row.number, row.question, found, answers
    )


def _listed(found: Sequence[str]) -> list[str]:
    """Each finding with the mark that stands between it and the next."""
    return [f"{words};" for words in found[:-1]] + [f"{words}:" for words in found[-1:]]


@dataclass(frozen=True)
class Paper:
    """The sheet as PDF, and the size of type that it took, in points."""

    pdf: bytes
    points: float


def as_pdf(sheet: Sheet) -> Paper:
    """``sheet`` as a PDF of one A4 sheet, in the largest type that fits. Raises NuqueError where none does."""
    for size in _SIZES:
        drawing = _Drawing(size)
        drawing.draw(sheet)
        if drawing.fits:
            return Paper(bytes(drawing.pdf.output()), size)
    raise NuqueError(
        f"the sheet does not fit two sides even at {_SIZES[-1]:g} points; fewer rules or shorter texts are needed"
    )


_LEFT, _TOP, _WIDTH, _BOTTOM = 8.0, 6.0, 194.0, 291.0
"""The part of an A4 page that is printed on, in mm."""
_GUTTER = 6.0
_SHARES = (0.5, 0.52, 0.54, 0.56, 0.58, 0.48, 0.46, 0.44, 0.42)
"""Shares of the width that the first column of questions may take."""
_GREY, _DARK, _RULE = 222, 51, 170

_Piece = tuple[str, str]
"""Words and how they are set: ``""`` plain, ``"B"`` bold, ``"BI"`` bold italic, ``"chip"`` bold on grey."""


class _Drawing:
    """Draws a sheet in type of ``size`` points; all measures are in mm. A column is measured before it is drawn."""

    def __init__(self, size: float) -> None:
        self.size = size
        self.line = size * 0.3528 * 1.13
        self.y = _TOP
        self._lowest = _TOP
        self.pdf = FPDF(format="A4")
        self.pdf.set_auto_page_break(False)
        self.pdf.c_margin = 0
        self.pdf.add_page()

    @property
    def fits(self) -> bool:
        """Whether what was drawn stays within each side."""
        return max(self._lowest, self.y) <= _BOTTOM

    def draw(self, sheet: Sheet) -> None:
        self.pdf.set_title(sheet.title)
        self._head(sheet)
        self._heading(STOP)
        self._stops(sheet.stops)
        self._heading(ASK)
        self.y = self.flow(_LEFT, self.y, _WIDTH, [[(HOW, "")]]) + 0.8
        columns = [[*map(self._section, column)] for column in sheet.columns]
        self.y = self._side_by_side(columns, self._share(columns)) + 0.5
        self._turn(sheet)
        self._heading(SIZES)
        for line in sheet.sizes:
            self.y = self._item(line)(_LEFT, self.y, _WIDTH, True)
        for title, lines in ((SHELF, sheet.shelf), (EVERYBODY, sheet.tasks)):
            if lines:
                self._heading(title)
                self._list(lines)
        self._heading(CAUTIONS)
        for name, lines in sheet.cautions:
            self.y = self.flow(_LEFT, self.y + 0.6, _WIDTH, [[(name, "B")]])
            self._list(lines)
        whole, self.size, self.line = (self.size, self.line), self.size * 0.88, self.line * 0.88
        self.y = self.flow(_LEFT, self.y + 1, _WIDTH, [[(sheet.foot, "")]])
        self.size, self.line = whole

    def _turn(self, sheet: Sheet) -> None:
        """Go on overleaf, under the same head, so that the sides of two printings are not mixed up."""
        self._lowest, self.y = self.y, _TOP
        self.pdf.add_page()
        self._head(sheet)

    def _list(self, lines: Sequence[str]) -> None:
        half = self._half([self._item(line) for line in lines])
        self.y = self._side_by_side([[self._item(line) for line in part] for part in (lines[:half], lines[half:])])

    # --- parts of the page ---------------------------------------------------------------------------------------------

    def _head(self, sheet: Sheet) -> None:
        self.pdf.set_font("Helvetica", "B", 12)
        self.pdf.text(_LEFT, self.y + 5, plain(sheet.title))
        self.pdf.set_font("Helvetica", "", 8)
        about = plain(sheet.about)
        self.pdf.text(_LEFT + _WIDTH - self.pdf.get_string_width(about), self.y + 5, about)
        self.y += 6.5

    def _heading(self, title: str) -> None:
        self.y += 0.8
        self.pdf.set_font("Helvetica", "B", self.size * 1.15)
        self.pdf.text(_LEFT, self.y + self.line * 0.8, plain(title))
        self.y += self.line * 1.15
        self.pdf.set_line_width(0.5)
        self.pdf.line(_LEFT, self.y - 0.4, _LEFT + _WIDTH, self.y - 0.4)
        self.y += 0.3

    def _stops(self, stops: Sequence[tuple[str, str]]) -> None:
        top, column = self.y, 48.0
        self.y += 0.7
        for condition, text in stops:
            ends = (
                self.flow(_LEFT + 2, self.y, column, [[(condition, "B")]]),
                self.flow(_LEFT + column + 4, self.y, _WIDTH - column - 6, [[(text, "")]]),
            )
            self.y = max(ends) + 0.5
        self.pdf.set_line_width(0.6)
        self.pdf.rect(_LEFT, top, _WIDTH, self.y - top + 0.3)
        self.y += 0.8

    def _section(self, section: SheetSection) -> _Part:
        def part(x: float, y: float, width: float, draw: bool) -> float:
            if draw:
                self.pdf.set_fill_color(_DARK)
                self.pdf.rect(x, y, width, self.line * 1.15, style="F")
                self.pdf.set_text_color(255)
                self.pdf.set_font("Helvetica", "B", self.size * 1.05)
                self.pdf.text(x + 1.2, y + self.line * 0.85, plain(section.title.capitalize()))
                self.pdf.set_text_color(0)
            y += self.line * 1.15 + 0.6
            for row in section.rows:
                y = self._row(row, x, y, width, draw)
            for note in section.notes:
                y = self.flow(x + 5.5, y, width - 5.5, [[(note, "")]], draw) + 0.3
            return y + 0.4

        return part

    def _row(self, row: SheetQuestion, x: float, y: float, width: float, draw: bool) -> float:
        groups: list[list[_Piece]] = [[(row.question, "B")], *([(words, "")] for words in _listed(row.found))]
        for answer, leads in row.answers:
            groups.append([(answer, ""), (leads, "BI" if leads.startswith(GO_TO) else "chip")])
        if draw:
            self._words(x, y, row.number, "B")
        y = self.flow(x + 5.5, y, width - 5.5, groups, draw) + 0.3
        if draw:
            self.pdf.set_line_width(0.15)
            self.pdf.set_draw_color(_RULE)
            self.pdf.line(x, y - 0.1, x + width, y - 0.1)
            self.pdf.set_draw_color(0)
        return y + 0.3

    def _item(self, line: str) -> _Part:
        def part(x: float, y: float, width: float, draw: bool) -> float:
            if draw:
                self.pdf.set_fill_color(0)
                self.pdf.rect(x + 0.3, y + self.line * 0.42, 0.9, 0.9, style="F")
            return self.flow(x + 2.5, y, width - 2.5, [[(line, "")]], draw) + 0.1

        return part

    # --- columns and lines ---------------------------------------------------------------------------------------------

    def _side_by_side(self, columns: Sequence[Sequence[_Part]], first: float = 0.5) -> float:
        """Draw two columns, the first taking the share ``first`` of the width; returns where the longer one ends."""
        x, ends = _LEFT, []
        for parts, share in zip(columns, (first, 1 - first), strict=True):
            y, width = self.y, (_WIDTH - _GUTTER) * share
            for part in parts:
                y = part(x, y, width, True)
            x += width + _GUTTER
            ends.append(y)
        return max(ends)

    def _share(self, columns: Sequence[Sequence[_Part]]) -> float:
        """The share of the first column that makes the longer one as short as can be."""

        def longer(first: float) -> float:
            """How long the longer column is, in mm, where the first has the share ``first`` of the width."""
            heights = []
            for parts, share in zip(columns, (first, 1 - first), strict=True):
                heights.append(sum(part(0, 0, (_WIDTH - _GUTTER) * share, False) for part in parts))
            return max(heights)

        return min(_SHARES, key=longer)

    def _half(self, parts: Sequence[_Part]) -> int:
        """After how many of ``parts`` to begin the second column, so that the longer one is as short as can be."""
        heights = [part(0, 0, (_WIDTH - _GUTTER) / 2, False) for part in parts]
        return min(range(len(parts) + 1), key=lambda cut: max(sum(heights[:cut]), sum(heights[cut:])))

    def flow(self, x: float, y: float, width: float, groups: Sequence[Sequence[_Piece]], draw: bool = True) -> float:
        """Set ``groups`` one after the other, each on one line where it fits; returns where the last line ends, in mm.

        The first line begins at ``x`` and ``y``, in mm from the left and the top of the page, and none is wider than
        ``width``, in mm. Without ``draw`` it is only measured.
        """
        at, gap = x, self._width("  ", "")
        for group in groups:
            whole = sum(self._width(text + " ", style) for text, style in group)
            if at > x and whole <= width and at + whole > x + width:
                at, y = x, y + self.line
            for text, style in group:
                for word in text.split():
                    wide = self._width(word, style)
                    if at > x and at + wide > x + width:
                        at, y = x, y + self.line
                    if draw:
                        self._words(at, y, word, style)
                    at += wide + self._width(" ", style)
            at += gap
        return y + self.line

    def _width(self, text: str, style: str) -> float:
        self.pdf.set_font("Helvetica", style if style != "chip" else "B", self.size)
        return self.pdf.get_string_width(plain(text))

    def _words(self, x: float, y: float, text: str, style: str) -> None:
        if style == "chip":
            self.pdf.set_fill_color(_GREY)
            wide = self._width(text + " ", style)
            self.pdf.rect(x - 0.4, y + self.line * 0.05, wide + 0.4, self.line * 0.92, style="F")
        self.pdf.set_font("Helvetica", style if style != "chip" else "B", self.size)
        self.pdf.text(x, y + self.line * 0.78, plain(text))


_Part = Callable[[float, float, float, bool], float]
"""Something to be drawn (or only measured) at x, y and of a width; returns the y at which it ends. All in mm."""
