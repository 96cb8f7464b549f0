"""``nuque rules prove``: what holds for every plausible patient."""

from __future__ import annotations

import time
from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.cli.invocation.report_output import deliver, report_options

_LONGEST = 86_400.0


def _seconds(_context: click.Context, _option: click.Parameter, value: float) -> float:
    """``value``, where the solver can keep to it; also refuses what is not a number, which a range of click lets pass."""
    if not 0.001 <= value <= _LONGEST:
        raise click.BadParameter(f"{value:g} is not from 0.001 to {_LONGEST:g}")
    return value


@click.command(short_help="Prove properties over all possible patients.")
@click.option(
    "--timeout", default=60.0, show_default=True, callback=_seconds, help="Seconds for each question to the solver."
)
@click.option(
    "--save",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the patients for whom a property fails as worked cases to this new file.",
)
@knowledge_options
@report_options
def prove(
    timeout: float, save: Path | None, knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None
) -> None:
    """Prove the properties of the rules over the whole input space, or show a patient for whom one fails."""
    from cds.reports.proof_report import proved
    from rules.loading.loader import KNOWLEDGE
    from rules.verification.invariants import CLAIMS, load_claims
    from rules.verification.prover import as_cases, verify

    if save is not None and save.exists():
        raise click.BadParameter(f"{save} is there already; give the name of a new file", param_hint="--save")
    ruleset = load_knowledge(knowledge, overlay)
    claims = load_claims(ruleset, Path(knowledge or KNOWLEDGE) / CLAIMS.name)
    began = time.perf_counter()
    verdicts = list(verify(ruleset, claims, timeout_ms=int(timeout * 1000)))
    seconds = time.perf_counter() - began
    if save is not None and (cases := as_cases(ruleset, verdicts)):
        save.write_text(cases, encoding="utf-8")
    deliver(proved(ruleset, verdicts, seconds), as_json=as_json, html=html)
