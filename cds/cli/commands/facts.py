"""``nuque facts``: the vocabulary with units and plausible ranges, and the parameters that a site may change."""

from __future__ import annotations

import json
from typing import Any

import click

from cds.cli.options import knowledge_options, load_knowledge
from cds.site.vocabulary_listing import list_facts, list_parameters
from rules.model.durations import duration_words


@click.command(short_help="List the facts that rules read.")
@click.argument("words", nargs=-1)
@click.option("--parameters", is_flag=True, help="List the parameters that a site may change instead.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@knowledge_options
def facts(
    words: tuple[str, ...], parameters: bool, as_json: bool, knowledge: str | None, overlay: tuple[str, ...]
) -> None:
    """List the facts that rules read: name, code in FHIR, unit, what is accepted, meaning.

    With WORDS only those that hold each of them, in any letter case: nuque facts coma score
    """
    ruleset = load_knowledge(knowledge, overlay)
    rows = list_parameters(ruleset) if parameters else list_facts(ruleset)
    rows = [row for row in rows if all(word.casefold() in _text(row) for word in words)]
    if not rows:
        raise click.ClickException(f"nothing holds {' and '.join(map(repr, words))}; try fewer or shorter words")
    if as_json:
        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    for row in rows:
        click.echo(row["name"])
        for key in [key for key in row if key != "name" and row[key] not in (None, "", [], {}, False)]:
            click.echo(f"    {key.removesuffix('_hours').replace('_', ' ')}: {_words(key, row[key])}")


def _text(row: dict[str, Any]) -> str:
    return " ".join(map(str, row.values())).casefold()


def _words(key: str, value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value))
    if isinstance(value, dict):
        return ", ".join(f"{answer} for {duration_words(hours)}" for answer, hours in value.items())
    if key.endswith("_hours"):
        return duration_words(value)
    return "yes" if value is True else str(value)
