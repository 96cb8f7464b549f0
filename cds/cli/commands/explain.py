"""``nuque explain RULE-ID``: one rule in full, with its condition, effects, parameters and evidence."""

from __future__ import annotations

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.site.rule_listing import describe_rule
from rules.errors import NuqueError


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="RULE-ID")
@knowledge_options
def explain(words: tuple[str, ...], knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Say what the rule RULE-ID does, when, why, and on what evidence.

    The beginning of an id (sizing.girth) lists the rules that begin so, and any other words those that hold each of them in id
    or title: nuque explain halo
    """
    ruleset = load_knowledge(knowledge, overlay)
    rule = ruleset.rules.get(words[0]) if len(words) == 1 else None
    if rule is not None:
        click.echo(describe_rule(ruleset, rule))
        return
    found = [one for one in ruleset.rules.values() if one.id.startswith(words)] if len(words) == 1 else []
    found = found or [
        one
        for one in ruleset.rules.values()
        if all(word.casefold() in f"{one.id} {one.title}".casefold() for word in words)
    ]
    if not found:
        said = " and ".join(map(repr, words))
        raise NuqueError(f"no rule has {said} in its id or title; `nuque explain sizing` lists those of a topic")
    for one in sorted(found, key=lambda one: one.id):
        click.echo(f"{one.id}: {one.title}")
