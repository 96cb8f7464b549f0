"""``nuque rules prove``: what holds for every plausible patient."""

from __future__ import annotations

import time
from pathlib import Path

import click

from cds.knowledge_options import knowledge_options, load_knowledge
from cds.reports.delivery import deliver, report_options


@click.command()
@click.option("--timeout", default=60.0, show_default=True, help="Seconds for each question to the solver.")
@knowledge_options
@report_options
def prove(timeout: float, knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None) -> None:
    """Prove the properties of the rules over the whole input space, or show a patient for whom one fails."""
    from cds.reports.proved import proved
    from rules.claims import CLAIMS, load_claims
    from rules.loading import KNOWLEDGE
    from rules.verify import verify

    ruleset = load_knowledge(knowledge, overlay)
    claims = load_claims(ruleset, Path(knowledge or KNOWLEDGE) / CLAIMS.name)
    began = time.perf_counter()
    verdicts = list(verify(ruleset, claims, timeout_ms=int(timeout * 1000)))
    deliver(proved(ruleset, verdicts, time.perf_counter() - began), as_json=as_json, html=html)
