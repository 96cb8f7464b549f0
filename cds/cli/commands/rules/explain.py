"""``nuque rules explain``: why for one patient."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cds.cli.invocation.options import codes_of, knowledge_options, load_knowledge, load_worked_cases, moment_option
from cds.cli.invocation.report_output import deliver, report_options
from rules.model.ruleset import Ruleset

if TYPE_CHECKING:
    from cds.cli.invocation.input_files import Input


@click.command(short_help="Explain the decision for one patient.")
@click.argument("file", required=False, type=click.Path(exists=True, dir_okay=False, allow_dash=True))
@click.option("--case", "case_name", help="A worked case in place of FILE.")
@click.option(
    "--rule", "rules", multiple=True, help="Say why this rule fires or stays silent; may be given more than once."
)
@moment_option
@click.option("--code-map", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The site's code map.")
@knowledge_options
@report_options
def explain(
    file: str | None,
    case_name: str | None,
    rules: tuple[str, ...],
    at: datetime | None,
    code_map: Path | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Explain the decision for the patient in FILE (- for standard input).

    FILE holds what `nuque decide` takes: facts, a FHIR R4 Bundle, or a CDS Hooks request. Shown are the trace down to the
    records and sources, why a rule stayed silent, and the smallest change that alters the size.
    """
    from cds.reports.explanation_report import explained
    from rules.deciding.explanation import Explainer

    ruleset = load_knowledge(knowledge, overlay)
    unknown = [name for name in rules if name not in ruleset.rules]
    if unknown:
        raise click.UsageError(f"no rule called {', '.join(unknown)}")
    if (file is None) == (case_name is None):
        raise click.UsageError("give FILE or --case, one of the two")
    now = datetime.now(UTC)
    given = (
        _case(ruleset, str(case_name), knowledge, at or now)
        if file is None
        else _read(ruleset, file, code_map, at, now)
    )
    report = explained(Explainer(ruleset, given.facts), rules, given.title, given.at, given.not_used)
    deliver(report, as_json=as_json, html=html)


def _case(ruleset: Ruleset, name: str, knowledge: str | None, at: datetime) -> Input:
    from cds.cli.invocation.input_files import Input

    cases = {case.name: case for case in load_worked_cases(ruleset, knowledge)}
    if name not in cases:
        raise click.UsageError(f"no case called {name!r}")
    return Input(f"worked case {name}", at, cases[name].facts)


def _read(ruleset: Ruleset, file: str, code_map: Path | None, at: datetime | None, now: datetime) -> Input:
    from cds.cli.invocation.input_files import read_input

    with click.open_file(file, "rb") as opened:
        content = opened.read()
    name = "standard input" if file == "-" else file
    return read_input(content, name, ruleset, codes_of(ruleset, code_map), at, now)
