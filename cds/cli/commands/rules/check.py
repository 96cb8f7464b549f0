"""``nuque rules check``: what loads but is not right."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.options import knowledge_options, load_knowledge
from cds.cli.report_output import deliver, report_options


@click.command()
@knowledge_options
@report_options
def check(knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None) -> None:
    """Look for unused names, rules that never fire, units and thresholds that do not fit, texts that overlap."""
    from cds.reports.lint import checked
    from rules.loading.loader import KNOWLEDGE
    from rules.loading.source_map import Written
    from rules.verification.lint import lint

    ruleset = load_knowledge(knowledge, overlay)
    written = Written.read(Path(knowledge or KNOWLEDGE), [Path(path) for path in overlay])
    deliver(checked(ruleset, lint(ruleset, written)), as_json=as_json, html=html)
