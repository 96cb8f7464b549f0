"""``nuque rules mutate``: how many changes of the rules would the worked cases notice."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.invocation.options import (
    cases_option,
    knowledge_folder,
    knowledge_options,
    load_knowledge,
    load_worked_cases,
)
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="List the changes that no worked case notices.")
@cases_option
@click.option("--topic", help="Change only rules of this topic, for example sizing.")
@knowledge_options
@report_options
def mutate(
    cases: str | None,
    topic: str | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Change one thing in one rule at a time, and list the changes that no worked case notices."""
    from cds.reports.mutation_report import mutated
    from rules.loading.source_map import SourceMap
    from rules.testing import mutation
    from rules.verification.mutant_witness import tell_apart

    ruleset = load_knowledge(knowledge, overlay)
    if topic is not None and topic not in {rule.topic for rule in ruleset.rules.values()}:
        raise click.UsageError(f"no rule of topic {topic!r}")
    found = load_worked_cases(ruleset, knowledge, cases)
    written = SourceMap.read(knowledge_folder(knowledge), [Path(path) for path in overlay])
    report = mutation.mutate(ruleset, found, written, topic)
    deliver(mutated(ruleset, report, list(tell_apart(ruleset, report.survivors))), as_json=as_json, html=html)
