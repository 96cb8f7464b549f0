"""``nuque rules map``: a picture of the sizes over height and circumference."""

from __future__ import annotations

from pathlib import Path

import click

from cds.knowledge_options import knowledge_options, load_knowledge


@click.command()
@click.option(
    "--html", required=True, type=click.Path(dir_okay=False, path_type=Path), help="Write one page to this file."
)
@click.option("--svg", type=click.Path(dir_okay=False, path_type=Path), help="Also write the picture alone.")
@click.option(
    "--cohort",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="The OUT folder of a replay: its patients are drawn over the map.",
)
@knowledge_options
def map(html: Path, svg: Path | None, cohort: Path | None, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Draw which size the rules give, by line and posture, with the patients of a cohort over it."""
    import polars as pl
    from markupsafe import Markup

    from cds.reports.about import about
    from cds.reports.size_map import panels, size_map

    ruleset = load_knowledge(knowledge, overlay)
    facts = None
    if cohort is not None:
        decisions = pl.scan_parquet(cohort / "decisions/*.parquet")
        given = [name for name in decisions.collect_schema() if name.startswith("given:")]
        table = decisions.select(given).rename(lambda name: name.removeprefix("given:"))
        facts = table.filter(
            pl.col("neck_height_mm").is_not_null() & pl.col("neck_circumference_mm").is_not_null()
        ).collect()
    picture = size_map(ruleset, panels(ruleset, facts))
    page = Markup(
        "<!doctype html><html lang=en><meta charset=utf-8><title>Decision map</title>"
        "<style>body{{font:14px sans-serif;margin:1.5em}}svg{{max-width:100%}}</style><h1>Decision map</h1><p>{}</p>"
        "<p>The size to try first where height and circumference are measured and nothing else is known but the line and "
        "whether the patient lies. Rings are patients.</p>{}</html>\n"
    ).format(about(ruleset), picture)
    html.write_text(page, encoding="utf-8")
    if svg is not None:
        svg.write_text(picture, encoding="utf-8")
    click.echo(f"{html}: {about(ruleset)}")
