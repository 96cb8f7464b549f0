"""``nuque rules sheet``: the page for when the record system is down."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from cds.knowledge_options import knowledge_options, load_knowledge


@click.command()
@click.option("--pdf", type=click.Path(dir_okay=False, path_type=Path), help="Write the sheet as PDF, one A4 page.")
@click.option("--html", type=click.Path(dir_okay=False, path_type=Path), help="Write the sheet as one HTML page.")
@click.option("--date", "printed", type=click.DateTime(["%Y-%m-%d"]), help="Date on the sheet. Default: today.")
@knowledge_options
def sheet(
    pdf: Path | None, html: Path | None, printed: datetime | None, knowledge: str | None, overlay: tuple[str, ...]
) -> None:
    """Print the questions that settle the size fastest on one page, with what everybody gets and the cautions.

    The order of the questions is computed from the rules; docs/downtime.md says how.
    """
    from cds.reports.sheet import sheet as written
    from cds.reports.sheet_print import as_html, as_pdf

    if pdf is None and html is None:
        raise click.UsageError("give --pdf FILE, --html FILE, or both")
    page = written(load_knowledge(knowledge, overlay), printed.date() if printed else date.today())
    if pdf is not None:
        pdf.write_bytes(as_pdf(page))
    if html is not None:
        html.write_text(as_html(page), encoding="utf-8")
    click.echo(page.about)
