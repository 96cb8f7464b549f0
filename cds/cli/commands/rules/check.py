"""``nuque rules check``: what loads but is not right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="Look for what is unused, silent or contradictory.")
@click.option(
    "--site",
    is_flag=True,
    help="The gate that a start and a reload run: lint, cases, signed changes and proofs of the content as it is served.",
)
@knowledge_options
@report_options
def check(site: bool, knowledge: str | None, overlay: tuple[str, ...], as_json: bool, html: str | None) -> None:
    """Look for unused names, rules that never fire, units and thresholds that do not fit, texts that overlap.

    With --site: may this content be served, as the settings (NUQUE_KNOWLEDGE, NUQUE_OVERLAYS) and the options name it. The
    verdict is kept, so that the next start is fast.
    """
    if site:
        _gate(knowledge, overlay)
        return
    from cds.reports.lint_report import checked
    from rules.loading.loader import KNOWLEDGE
    from rules.loading.source_map import SourceMap
    from rules.verification.lint import lint

    ruleset = load_knowledge(knowledge, overlay)
    written = SourceMap.read(Path(knowledge or KNOWLEDGE), [Path(path) for path in overlay])
    deliver(checked(ruleset, lint(ruleset, written)), as_json=as_json, html=html)


def _gate(knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Run the gate and say what it found; ends with 1 where the content may not be served."""
    from cds.settings import Settings
    from cds.site.content_check import prove

    given: dict[str, Any] = {"knowledge": knowledge and Path(knowledge), "overlays": tuple(map(Path, overlay))}

    def told(stage: str, **numbers: int) -> None:
        click.echo(" ".join([f"{stage} ...", *(f"({number})" for number in numbers.values())]), err=True)

    found = prove(Settings.load(**{name: value for name, value in given.items() if value}), told)
    for remark in found.remarks:
        click.echo(f"remark: {remark}")
    for reason in found.reasons:
        click.echo(f"refused: {reason}")
    if found.reasons:
        click.get_current_context().exit(1)
    click.echo(f"{found.stamp}: {found.cases} cases hold, and this content may be served")
