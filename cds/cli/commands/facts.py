"""``nuque facts``: the vocabulary with units and plausible ranges, and the parameters that a site may change."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from textwrap import fill
from typing import Any

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.site.vocabulary_listing import list_facts, list_parameters
from rules.errors import NuqueError
from rules.model.durations import duration_words
from rules.model.quantity_words import quantity_words
from rules.model.ruleset import Ruleset

_WIDTH = 100
_WORKED_OUT = "worked out by rules, and never given"


@click.command(short_help="List the facts that rules read.")
@click.argument("words", nargs=-1)
@click.option("--parameters", is_flag=True, help="List the parameters that a site may change instead.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@knowledge_options
def facts(
    words: tuple[str, ...], parameters: bool, as_json: bool, knowledge: str | None, overlay: tuple[str, ...]
) -> None:
    """List the facts that rules read, by what they are read for; with --parameters each number, with its value.

    With WORDS those that hold each of them, in any letter case, and all about each: code in FHIR, unit, what is accepted,
    meaning: nuque facts coma score
    """
    ruleset = load_knowledge(knowledge, overlay)
    rows = list_parameters(ruleset) if parameters else list_facts(ruleset)
    rows = [row for row in rows if all(word.casefold() in _text(row) for word in words)]
    if not rows:
        raise NuqueError(f"nothing holds {' and '.join(map(repr, words))}; try fewer or shorter words")
    if as_json:
        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    if not words:
        lines = _values(rows) if parameters else _names(ruleset)
        click.echo("\n".join([*lines, "", "With a word, all about those that hold it: nuque facts coma"]))
        return
    for row in rows:
        click.echo(row["name"])
        for key in [key for key in row if key != "name" and row[key] not in (None, "", [], {}, False)]:
            click.echo(f"    {key.removesuffix('_hours').replace('_', ' ')}: {_words(key, row[key])}")


def _names(ruleset: Ruleset) -> Iterator[str]:
    """The names of all facts that can be given, by the topic most rules of which read them; then those that rules work out."""
    readers: dict[str, Counter[str]] = {}
    for rule in ruleset.rules.values():
        for name in rule.reads:
            readers.setdefault(name, Counter())[rule.topic] += 1
    groups: dict[str, list[str]] = {}
    for fact in ruleset.vocabulary.values():
        topic = "dangers" if fact.danger else _most(readers.get(fact.name))
        groups.setdefault(_WORKED_OUT if fact.given == "concluded" else topic, []).append(fact.name)
    for title in sorted(groups, key=lambda title: title == _WORKED_OUT):
        yield title.replace("_", " ")
        yield fill(
            ", ".join(groups[title]), _WIDTH, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False
        )


def _most(topics: Counter[str] | None) -> str:
    return topics.most_common(1)[0][0] if topics else "others"


def _values(rows: Iterable[dict[str, Any]]) -> Iterator[str]:
    """Each parameter with its value."""
    for row in rows:
        yield f"{row['name']}: {quantity_words(row['value'], row['unit'])}"


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
