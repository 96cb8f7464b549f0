"""``nuque rules replay``: the rules over a whole export."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge, moment


@click.command(short_help="Decide every patient of an export.")
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option(
    "--out", required=True, type=click.Path(file_okay=False, path_type=Path), help="Folder for what comes out."
)
@click.option(
    "--at",
    type=moment,
    help="Decide everybody at this moment, such as 2026-01-31T10:00Z. Without it: each patient at the last record.",
)
@click.option(
    "--code-map", multiple=True, type=click.Path(exists=True, dir_okay=False, path_type=Path), help="A site's codes."
)
@click.option("--engine", type=click.Choice(["local", "spark"]), default="local", show_default=True)
@click.option(
    "--workers", type=click.IntRange(1), help="Processes that read patients. Default: one for each processor."
)
@knowledge_options
def replay(
    folder: Path,
    out: Path,
    at: datetime | None,
    code_map: tuple[Path, ...],
    engine: str,
    workers: int | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    """Decide every patient in FOLDER: a FHIR Bulk Data export (NDJSON, gzip too), or Parquet tables of facts.

    OUT receives the decisions as Parquet parts and a summary as JSON, text and one page. A run that was interrupted goes
    on where it was when the same command is given again. docs/replay.md has the columns.
    """
    from rich.progress import Progress

    from cds.cohorts.pipeline import Replay
    from cds.fhir.reading.code_map_loader import load_code_map
    from cds.reports.cohort_report import replayed
    from cds.reports.html_renderer import as_html
    from cds.reports.text_renderer import as_text

    ruleset = load_knowledge(knowledge, overlay)
    codes = load_code_map(ruleset, code_map)
    work = Replay(ruleset, codes, folder, out, at, workers or os.cpu_count() or 1)
    with Progress(transient=True) as bars:
        tasks = {}

        def show(what: str, done: int, whole: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=whole)
            bars.update(tasks[what], completed=done)

        if engine == "spark":
            from cds.cohorts.spark_pipeline import run_on_spark

            tally = run_on_spark(work)
        else:
            tally = work.run(show)
    report = replayed(ruleset, tally, str(folder), () if work.parquet else work.export.left_out)
    data = {"title": report.title, "about": report.about, **report.data}
    (out / "summary.json").write_text(json.dumps(data, indent=2, ensure_ascii=False), encoding="utf-8")
    (out / "summary.txt").write_text(as_text(report) + "\n", encoding="utf-8")
    (out / "summary.html").write_text(as_html(report), encoding="utf-8")
    click.echo(report.summary)
    click.echo(f"{out / 'summary.html'}, summary.txt, summary.json; decisions in {out / 'decisions'}")
