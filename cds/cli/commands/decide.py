"""``nuque decide FILE``: one patient, from plain facts, a FHIR Bundle or a hook request."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from cds.cli.invocation.input_files import read_input
from cds.cli.invocation.options import codes_of, knowledge_options, load_catalogue, load_knowledge, moment_option
from cds.cli.text.brief import brief_text
from cds.cli.text.decision_text import decision_text, sources_text
from rules.deciding.decider import Decider


@click.command()
@click.argument("file", type=click.Path(exists=True, dir_okay=False, allow_dash=True))
@moment_option
@click.option("--code-map", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The site's code map.")
@click.option("--catalogue", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The site's items.")
@click.option("--why", is_flag=True, help="With the rules behind each line, and their sources.")
@click.option("--full", is_flag=True, help="With every instruction and each rule that fired as well.")
@click.option("--json", "as_json", is_flag=True, help="The whole decision as JSON.")
@knowledge_options
def decide(
    file: str,
    at: datetime | None,
    code_map: Path | None,
    catalogue: Path | None,
    why: bool,
    full: bool,
    as_json: bool,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    """Decide for the patient in FILE (- for standard input).

    FILE holds facts ({"facts": {...}, "at": ...} or just the facts), a FHIR R4 Bundle, or a CDS Hooks request.
    """
    ruleset = load_knowledge(knowledge, overlay)
    name = "standard input" if file == "-" else file
    with click.open_file(file, "rb") as opened:
        content = opened.read()
    stocked = load_catalogue(catalogue, ruleset)
    given = read_input(content, name, ruleset, codes_of(ruleset, code_map, stocked), at, now=datetime.now(UTC))
    decision = Decider(ruleset).decide(given.facts, given.at, given.not_used)
    shelf = None if stocked is None else stocked.fitting(decision)
    if as_json:
        stock = {} if shelf is None else {"stock": shelf.model_dump(mode="json")}
        click.echo(json.dumps({**decision.as_json(), **stock}, indent=2, ensure_ascii=False))
    elif not (why or full):
        click.echo(brief_text(ruleset, decision, given.title, shelf))
    else:
        click.echo(decision_text(ruleset, decision, given.title, shelf, full=full))
        click.echo(sources_text(decision.sources))
