"""``nuque rules compare``: two versions of the rules, or a site's overlay against the base."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_folder, knowledge_options, load_knowledge, load_worked_cases
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="Say whose decision a change of rules alters.")
@click.option(
    "--against", type=click.Path(exists=True, file_okay=False), help="Folder of the other knowledge (the old one)."
)
@click.option(
    "--generated", default=500, show_default=True, type=click.IntRange(0), help="Generated patients to decide."
)
@click.option("--seed", default=0, show_default=True, help="Seed of the generated patients.")
@click.option(
    "--sign-off",
    is_flag=True,
    help="Write each changed case to a file beside the last overlay, for somebody to sign: the gate then accepts exactly these.",
)
@knowledge_options
@report_options
def compare(
    against: str | None,
    generated: int,
    seed: int,
    sign_off: bool,
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Say what is written otherwise, and whose decision changes: of the worked cases and of generated patients.

    With --against: the knowledge there is the old one. Without: the same knowledge without the overlays is.
    Exit code 0 means that nothing differs, 1 that something does.
    """
    from cds.reports.comparison_report import compared
    from rules.testing.cases import CASES
    from rules.testing.generators import Generator
    from rules.testing.ruleset_diff import Comparer, written_changes

    if against is None and not overlay:
        raise click.UsageError("give --against FOLDER, or --overlay FILE to hold it against the base")
    if sign_off:
        if against is not None or not overlay:
            raise click.UsageError("--sign-off is for a site's overlays: give --overlay FILE, and no --against")
        _write_sign_off(knowledge_folder(knowledge), [Path(path) for path in overlay])
        return
    old = load_knowledge(against or knowledge)
    new = load_knowledge(knowledge, overlay)
    folder = against or knowledge
    has_cases = (knowledge_folder(folder) / CASES.name).is_dir()
    cases = load_worked_cases(old, folder) if has_cases else ()
    patients = [(f"case {case.name}", case.facts) for case in cases]
    patients += [
        (f"generated {number}", facts) for number, facts in enumerate(Generator(old, seed).patients(generated), 1)
    ]
    changed = list(Comparer(old, new).changes(patients))
    deliver(compared(old, new, written_changes(old, new), changed, len(patients)), as_json=as_json, html=html)


def _write_sign_off(folder: Path, overlays: list[Path]) -> None:
    """Write what is to be signed; ends with 1 where nothing may be: what is grave cannot be signed off."""
    from cds.site.sign_off import SignOff, beside
    from rules.verification.quality_gate import QualityGate

    gate = QualityGate(folder, overlays, lambda stage, **numbers: click.echo(f"{stage} ...", err=True))
    found = gate.findings()
    for skipped in found.skipped:
        click.echo(f"skipped: {skipped}")
    if found.grave:
        for reason in found.grave:
            click.echo(f"cannot be signed off: {reason}")
        click.get_current_context().exit(1)
    path = beside(overlays)
    to_sign = SignOff.of(found, gate.effective.hash)
    path.write_text(to_sign.written(), encoding="utf-8")
    what = [f"{len(to_sign.changes)} changes for {len(found.changed)} patients"]
    what += [f"no longer holds: {name}" for name in found.unproved]
    click.echo(f"{path}: {'; '.join(what)}. Read it, then fill in signed_by and date.")
