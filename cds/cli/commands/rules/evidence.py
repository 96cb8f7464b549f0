"""``nuque rules evidence``: the evidence register, as Markdown."""

from __future__ import annotations

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge


@click.command(short_help="Print every rule with its evidence (Markdown).")
@knowledge_options
def evidence(knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Print every rule, source and threshold with its evidence, and who should confirm it, as Markdown."""
    from rules.verification.evidence_register import evidence_page

    click.echo(evidence_page(load_knowledge(knowledge, overlay)), nl=False)
