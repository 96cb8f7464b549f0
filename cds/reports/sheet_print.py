"""The downtime sheet on paper: one A4 page as PDF, and the same as one HTML page that prints alike."""

from __future__ import annotations

from fpdf import FPDF
from fpdf.fonts import FontFace
from markupsafe import Markup

from cds.reports.sheet import Sheet, plain
from rules.errors import NuqueError

_SIZES = (8.0, 7.5, 7.0, 6.5, 6.0, 5.5, 5.0)
"""Sizes of type, in points, that are tried until the sheet fits one page."""

_STYLE = """
@page { size: A4; margin: 8mm }
body { font: 9.5px/1.25 Helvetica, Arial, sans-serif; color: #1c2430; max-width: 194mm; margin: 0 auto }
h1 { font-size: 15px; margin: 0 }
h2 { font-size: 11px; margin: 6px 0 2px }
p, ul { margin: 2px 0 }
ul { padding-left: 14px; columns: 2; column-gap: 14px }
table { border-collapse: collapse; width: 100% }
td, th { border: 0.5px solid #777; padding: 1px 4px; text-align: left; vertical-align: top }
th { background: #e4e1d8 }
td.n { width: 16px; font-weight: bold }
td.q { width: 30% }
.stop td { border-width: 1.5px }
.a { display: inline-block; margin-right: 12px }
"""


def as_html(sheet: Sheet) -> str:
    """``sheet`` as a self-contained page."""
    stops = Markup("").join(
        Markup("<tr><td class=q>{}</td><td><b>{}</b></td></tr>").format(*stop) for stop in sheet.stops
    )
    rows = Markup("").join(
        Markup("<tr><th colspan=3>{}</th></tr>").format(section.title.capitalize())
        + Markup("").join(
            Markup("<tr><td class=n>{}</td><td class=q>{}</td><td>{}</td></tr>").format(
                row.number,
                row.question,
                Markup("").join(
                    Markup("<span class=a>{}: <b>{}</b></span> ").format(*answer) for answer in row.answers
                ),
            )
            for row in section.rows
        )
        for section in sheet.sections
    )
    return Markup(
        "<!doctype html><html lang=en><meta charset=utf-8><title>{title}</title><style>{style}</style>"
        "<h1>{title}</h1><p>{about}</p><h2>First: no sized collar if</h2><table class=stop>{stops}</table>"
        "<h2>Then ask, line by line</h2><table>{rows}</table><h2>For everybody</h2><ul>{tasks}</ul>"
        "<h2>Cautions</h2><ul>{cautions}</ul><p>{foot}</p></html>\n"
    ).format(
        title=sheet.title,
        style=Markup(_STYLE),
        about=sheet.about,
        stops=stops,
        rows=rows,
        tasks=_items(sheet.tasks),
        cautions=_items(sheet.cautions),
        foot=sheet.foot,
    )


def _items(lines: tuple[str, ...]) -> Markup:
    return Markup("").join(Markup("<li>{}</li>").format(line) for line in lines)


def as_pdf(sheet: Sheet) -> bytes:
    """``sheet`` as a PDF of one A4 page. Raises NuqueError where it does not fit at any readable size."""
    for size in _SIZES:
        pdf = _drawn(sheet, size)
        if pdf.page_no() == 1:
            return bytes(pdf.output())
    raise NuqueError(
        f"the sheet does not fit one page even at {_SIZES[-1]:g} points; fewer rules or shorter texts are needed"
    )


def _drawn(sheet: Sheet, size: float) -> FPDF:
    pdf = FPDF(format="A4")
    pdf.set_margin(8)
    pdf.set_auto_page_break(True, 7)
    pdf.set_title(sheet.title)
    pdf.add_page()
    line = size * 0.46

    def words(text: str, style: str = "", grow: float = 1.0) -> None:
        pdf.set_font("Helvetica", style, size * grow)
        pdf.multi_cell(0, line * grow, plain(text), new_x="LMARGIN", new_y="NEXT")

    def heading(text: str) -> None:
        pdf.ln(line * 0.5)
        words(text, "B", 1.15)

    words(sheet.title, "B", 1.8)
    words(sheet.about)
    heading("First: no sized collar if")
    pdf.set_font("Helvetica", "", size)
    with pdf.table(
        col_widths=(30, 70), line_height=line, first_row_as_headings=False, padding=0.4, text_align="LEFT"
    ) as table:
        for condition, text in sheet.stops:
            table.row((plain(condition), plain(text)))
    heading("Then ask, line by line")
    pdf.set_font("Helvetica", "", size)
    band = FontFace(emphasis="BOLD", fill_color=(228, 225, 216))
    with pdf.table(
        col_widths=(5, 27, 68),
        line_height=line,
        first_row_as_headings=False,
        padding=0.4,
        text_align="LEFT",
        markdown=True,
    ) as table:
        for section in sheet.sections:
            table.row().cell(plain(section.title.capitalize()), colspan=3, style=band)
            for row in section.rows:
                answers = "    ".join(f"{answer}: **{leads}**" for answer, leads in row.answers)
                table.row((f"**{row.number}**", plain(row.question), plain(answers)))
    for title, lines in (("For everybody", sheet.tasks), ("Cautions", sheet.cautions)):
        heading(title)
        for text in lines:
            words(f"- {text}")
    pdf.ln(line * 0.5)
    words(sheet.foot, "I", 0.9)
    return pdf
