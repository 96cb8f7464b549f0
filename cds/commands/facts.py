"""``nuque facts``: the vocabulary with units and plausible ranges, and the parameters that a site may change."""

from __future__ import annotations

import json
from typing import Any

import click

from cds.knowledge_options import knowledge_options, load_knowledge
from rules.ruleset import Ruleset


@click.command()
@click.option("--parameters", is_flag=True, help="List the parameters that a site may change instead.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@knowledge_options
def facts(parameters: bool, as_json: bool, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """List the facts that rules read: name, unit, what is accepted, meaning."""
    ruleset = load_knowledge(knowledge, overlay)
    rows = _parameters(ruleset) if parameters else _facts(ruleset)
    if as_json:
        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    for row in rows:
        click.echo(row["name"])
        for key in [key for key in row if key != "name" and row[key] not in (None, "", [], False)]:
            click.echo(f"    {key.replace('_', ' ')}: {_words(row[key])}")


def _words(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return "yes" if value is True else str(value)


def _facts(ruleset: Ruleset) -> list[dict[str, Any]]:
    return [
        {
            "name": fact.name,
            "meaning": " ".join(fact.meaning.split()),
            "accepted": fact.accepted,
            "unit": fact.unit,
            "given": fact.given,
            "usable_for_hours": ruleset.stale_after_hours(fact),
            "read_by_rules": sum(fact.name in rule.reads for rule in ruleset.rules.values()),
        }
        for fact in ruleset.vocabulary.values()
    ]


def _parameters(ruleset: Ruleset) -> list[dict[str, Any]]:
    return [
        {
            "name": parameter.name,
            "meaning": parameter.meaning,
            "value": parameter.value,
            "unit": parameter.unit,
            "allowed": None if parameter.range is None else f"{parameter.range[0]:g} to {parameter.range[1]:g}",
            "sources": list(parameter.sources),
            "confirm_locally": parameter.confirm,
            "changed_by_the_site": parameter.is_local,
        }
        for parameter in ruleset.parameters.values()
    ]
