"""``nuque rules map``: a picture of the sizes over height and circumference."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="Draw which size the rules give, by measurements.")
@click.option("--svg", type=click.Path(dir_okay=False, path_type=Path), help="Also write the picture alone.")
@click.option(
    "--cohort",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="The OUT folder of a replay: its patients are drawn over the map.",
)
@report_options
@knowledge_options
def map(
    svg: Path | None,
    cohort: Path | None,
    as_json: bool,
    html: str | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    """Say which size the rules give by height and circumference, line and posture; with --html as a picture.

    The picture can hold the patients of a replayed cohort.
    """
    import polars as pl

    from cds.reports.size_chart import mapped, size_map
    from cds.reports.size_chart_geometry import panels

    ruleset = load_knowledge(knowledge, overlay)
    facts = None
    if cohort is not None:
        if not any(cohort.glob("decisions/*.parquet")):
            raise click.BadParameter(f"{cohort} holds no decisions of a replay", param_hint="--cohort")
        decisions = pl.scan_parquet(cohort / "decisions/*.parquet")
        given = [name for name in decisions.collect_schema() if name.startswith("given:")]
        table = decisions.select(given).rename(lambda name: name.removeprefix("given:"))
        facts = table.filter(
            pl.col("neck_height_mm").is_not_null() & pl.col("neck_circumference_mm").is_not_null()
        ).collect()
    shown = panels(ruleset, facts)
    if svg is not None:
        svg.write_text(size_map(ruleset, shown), encoding="utf-8")
    deliver(mapped(ruleset, shown), as_json=as_json, html=html)
