"""``nuque explain RULE-ID``: one rule in full, with its condition, effects, parameters and evidence."""

from __future__ import annotations

import click

from cds.cli.options import knowledge_options, load_knowledge
from cds.site.rule_listing import describe_rule


@click.command()
@click.argument("rule_id")
@knowledge_options
def explain(rule_id: str, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Say what the rule RULE-ID does, when, why, and on what evidence."""
    ruleset = load_knowledge(knowledge, overlay)
    rule = ruleset.rules.get(rule_id)
    if rule is None:
        begins = [name for name in ruleset.rules if name.startswith(rule_id)]
        hint = (
            f"rules that begin so: {', '.join(begins)}" if begins else "`nuque explain sizing` lists those of a topic"
        )
        raise click.ClickException(f"no rule called {rule_id!r}; {hint}")
    click.echo(describe_rule(ruleset, rule))
