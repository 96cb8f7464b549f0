"""``nuque rules compare``: two versions of the rules, or a site's overlay against the base."""

from __future__ import annotations

import click

from cds.cli.options import knowledge_folder, knowledge_options, load_knowledge, load_worked_cases
from cds.cli.report_output import deliver, report_options


@click.command()
@click.option(
    "--against", type=click.Path(exists=True, file_okay=False), help="Folder of the other knowledge (the old one)."
)
@click.option(
    "--generated", default=500, show_default=True, type=click.IntRange(0), help="Generated patients to decide."
)
@click.option("--seed", default=0, show_default=True, help="Seed of the generated patients.")
@knowledge_options
@report_options
def compare(
    against: str | None,
    generated: int,
    seed: int,
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Say what is written otherwise, and whose decision changes: of the worked cases and of generated patients.

    With --against: the knowledge there is the old one. Without: the same knowledge without the overlays is.
    Exit code 0 means that nothing differs, 1 that something does.
    """
    from cds.reports.comparison import compared
    from rules.testing.cases import CASES
    from rules.testing.generators import Generator
    from rules.testing.ruleset_diff import Comparer, written_changes

    if against is None and not overlay:
        raise click.UsageError("give --against FOLDER, or --overlay FILE to hold it against the base")
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
