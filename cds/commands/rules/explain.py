"""``nuque rules explain``: why for one patient."""

from __future__ import annotations

import json
from typing import Any

import click

from cds.knowledge_options import knowledge_options, load_knowledge, load_worked_cases
from cds.reports.delivery import deliver, report_options
from rules.ruleset import Ruleset


@click.command()
@click.argument("file", required=False, type=click.File(encoding="utf-8"))
@click.option("--case", "case_name", help="A worked case in place of FILE.")
@click.option(
    "--rule", "rules", multiple=True, help="Say why this rule fires or stays silent; may be given more than once."
)
@knowledge_options
@report_options
def explain(
    file: Any,
    case_name: str | None,
    rules: tuple[str, ...],
    knowledge: str | None,
    overlay: tuple[str, ...],
    as_json: bool,
    html: str | None,
) -> None:
    """Explain the decision for the patient in FILE: JSON of facts by name (also under the key facts); - is standard input.

    The trace down to the observations and sources, why a rule stayed silent, and the smallest change that alters the size.
    """
    from cds.reports.explained import explained
    from rules.explain import Explainer

    ruleset = load_knowledge(knowledge, overlay)
    unknown = [name for name in rules if name not in ruleset.rules]
    if unknown:
        raise click.UsageError(f"no rule called {', '.join(unknown)}")
    facts = _facts(ruleset, file, case_name, knowledge)
    deliver(explained(ruleset, Explainer(ruleset, facts), rules), as_json=as_json, html=html)


def _facts(ruleset: Ruleset, file: Any, case_name: str | None, knowledge: str | None) -> dict[str, object]:
    if (file is None) == (case_name is None):
        raise click.UsageError("give FILE or --case, one of the two")
    if case_name is not None:
        cases = {case.name: case for case in load_worked_cases(ruleset, knowledge)}
        if case_name not in cases:
            raise click.UsageError(f"no case called {case_name!r}")
        return dict(cases[case_name].facts)
    try:
        content = json.load(file)
    except json.JSONDecodeError as error:
        raise click.UsageError(f"{file.name}: not JSON: {error}") from error
    facts = content.get("facts", content) if isinstance(content, dict) else content
    if not isinstance(facts, dict):
        raise click.UsageError(f"{file.name}: expected an object with facts by name")
    return facts
