"""``nuque codes``: the worksheet by which a site maps its own codes, written and read back."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.invocation.options import codes_of, knowledge_options, load_knowledge


@click.group()
def codes() -> None:
    """Map the codes of your record system to what the rules read."""


@codes.command(short_help="Write a CSV of facts, to fill in your codes.")
@click.option(
    "--code-map",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Your own codes, as far as they go.",
)
@click.option("--output", "-o", type=click.Path(dir_okay=False, path_type=Path), help="File; default: standard output.")
@knowledge_options
def worksheet(code_map: Path | None, output: Path | None, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Write a CSV of every fact that rules read and of collar orders, with the codes that say them; say what is missing."""
    from cds.site.code_worksheet import missing, worksheet, write

    ruleset = load_knowledge(knowledge, overlay)
    rows = worksheet(ruleset, codes_of(ruleset, code_map)())
    try:
        with click.open_file("-" if output is None else str(output), "w", encoding="utf-8") as file:
            write(rows, file)
    except OSError as error:
        raise click.ClickException(f"{output}: cannot be written: {error.strerror or error}") from error
    for sentence in missing(rows):
        click.echo(sentence, err=True)


@codes.command(short_help="Make the code map of a filled-in worksheet.")
@click.argument("worksheet", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--output",
    "-o",
    type=click.Path(dir_okay=False, path_type=Path),
    required=True,
    help="The code map to write (YAML).",
)
@knowledge_options
def read(worksheet: Path, output: Path, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Make the site's code map of a filled-in WORKSHEET (CSV), and say what is missing; a wrong line writes nothing."""
    from cds.site.code_worksheet import missing
    from cds.site.code_worksheet import worksheet as rows_of
    from cds.site.worksheet_reading import site_code_map

    ruleset = load_knowledge(knowledge, overlay)
    output.write_text(site_code_map(worksheet, ruleset), encoding="utf-8")
    rows = rows_of(ruleset, codes_of(ruleset, output)())
    click.echo(f"{sum(row.status == 'yours' for row in rows)} codes of yours written to {output}")
    for sentence in missing(rows):
        click.echo(sentence, err=True)
