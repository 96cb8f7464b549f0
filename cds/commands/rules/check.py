"""``nuque rules check``: what loads but is not right."""

from __future__ import annotations

from pathlib import Path

import click

from cds.knowledge_options import knowledge_options, load_knowledge
from cds.reports.delivery import deliver, report_options


@click.command()
@knowledge_options
@report_options
def check(knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None) -> None:
    """Look for unused names, rules that never fire, units and thresholds that do not fit, texts that overlap."""
    from cds.reports.checked import checked
    from rules.lint import lint
    from rules.loading import KNOWLEDGE
    from rules.written import Written

    ruleset = load_knowledge(knowledge, overlay)
    written = Written.read(Path(knowledge or KNOWLEDGE), [Path(path) for path in overlay])
    deliver(checked(ruleset, lint(ruleset, written)), as_json=as_json, html=html)
