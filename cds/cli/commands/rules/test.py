"""``nuque rules test``: run the worked cases, and say what they do not reach."""

from __future__ import annotations

from pathlib import Path

import click

from cds.cli.invocation.options import (
    cases_option,
    knowledge_folder,
    knowledge_options,
    load_knowledge,
    load_worked_cases,
)
from cds.cli.invocation.report_output import deliver, report_options


@click.command(short_help="Run the worked cases, with their coverage.")
@cases_option
@click.option("--only", help="Run only cases whose name contains this.")
@click.option("--junit", type=click.Path(dir_okay=False, writable=True), help="Also write JUnit XML to this file.")
@knowledge_options
@report_options
def test(
    cases: str | None,
    only: str | None,
    junit: str | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Run the worked cases: differences as expected and actual with the trace, and the coverage of rules and comparisons.

    Of some cases (--cases, --only) the coverage is that of the rules that they name and of those that a site added.
    """
    from cds.reports.case_report import tested
    from rules.deciding.decider import Decider
    from rules.loading.source_map import SourceMap
    from rules.testing.cases import run_cases
    from rules.testing.coverage import measure
    from rules.testing.junit import junit_xml

    ruleset = load_knowledge(knowledge, overlay)
    found = load_worked_cases(ruleset, knowledge, cases)
    chosen = [case for case in found if only is None or only in case.name]
    if not chosen:
        raise click.UsageError(f"no case has {only!r} in its name")
    results = list(run_cases(Decider(ruleset), chosen))
    if junit is not None:
        Path(junit).write_text(junit_xml(results), encoding="utf-8")
    written = SourceMap.read(knowledge_folder(knowledge), [Path(path) for path in overlay])
    coverage = measure(ruleset, chosen, written)
    if only is not None or cases is not None:
        named = {rule for case in chosen for rule in (*case.fires, *case.silent)}
        coverage = coverage.of(named | {change.name for change in ruleset.local_changes if change.kind == "added"})
    deliver(tested(ruleset, results, coverage), as_json=as_json, html=html)
