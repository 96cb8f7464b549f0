"""``nuque rules sheet``: the page for when the record system is down."""

from __future__ import annotations

import dataclasses
import json
from datetime import date, datetime
from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_options, load_catalogue, load_knowledge


@click.command(short_help="Make the sheet for when the service is down.")
@click.option(
    "--pdf", type=click.Path(dir_okay=False, path_type=Path), help="Write the sheet as PDF, both sides of one A4 sheet."
)
@click.option("--html", type=click.Path(dir_okay=False, path_type=Path), help="Write the sheet as one HTML page.")
@click.option(
    "--catalogue",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The site's items, to be named on the sheet.",
)
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@click.option("--date", "printed", type=click.DateTime(["%Y-%m-%d"]), help="Date on the sheet. Default: today.")
@knowledge_options
def sheet(
    pdf: Path | None,
    html: Path | None,
    catalogue: Path | None,
    as_json: bool,
    printed: datetime | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    """Say which questions settle the size fastest, with what everybody gets and the cautions: one sheet to print on both sides.

    The order of the questions is computed from the rules; docs/downtime.md says how.
    """
    from cds.reports.downtime_sheet import as_text
    from cds.reports.downtime_sheet import sheet as written
    from cds.reports.downtime_sheet_pdf import READABLE, as_html, as_pdf

    ruleset = load_knowledge(knowledge, overlay)
    stocked = load_catalogue(catalogue, ruleset)
    page = written(ruleset, printed.date() if printed else date.today(), stocked.items if stocked else ())
    if pdf is not None:
        paper = as_pdf(page)
        pdf.write_bytes(paper.pdf)
        if paper.points < READABLE:
            click.echo(
                f"{pdf}: fits one sheet only in type of {paper.points:g} points, which is hard to read", err=True
            )
    if html is not None:
        html.write_text(as_html(page), encoding="utf-8")
    click.echo(json.dumps(dataclasses.asdict(page), indent=2, ensure_ascii=False) if as_json else as_text(page))
