"""``nuque rules transparency``: what users and regulators ask of the content, in one report."""

from __future__ import annotations

import click

from cds.cli.invocation.options import knowledge_folder, knowledge_options, load_knowledge, load_worked_cases
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="Say what the content rests on, and its limits.")
@knowledge_options
@report_options
def transparency(knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None) -> None:
    """Say what the content is for, what goes in, what it rests on, how it was checked, and where it ends."""
    from cds.reports.transparency_report import transparency as report
    from rules.verification.invariants import CLAIMS, load_claims

    ruleset = load_knowledge(knowledge, overlay)
    claims = load_claims(ruleset, knowledge_folder(knowledge) / CLAIMS.name)
    deliver(report(ruleset, load_worked_cases(ruleset, knowledge), claims), as_json=as_json, html=html)
