"""``nuque fit FILE``: what to correct after a fit check."""

from __future__ import annotations

import json
from pathlib import Path
from typing import BinaryIO

import click
from pydantic import ValidationError

from cds.cli.invocation.input_files import InputError
from cds.cli.invocation.options import knowledge_options, load_catalogue, load_knowledge
from cds.cli.text.fit_advice import advice_text
from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.operation_outcome import issues_of
from cds.site.fit_check_request import FitCheckRequest
from cds.strict_json import JsonProblem, parse
from cds.web.dependencies import utc_now
from rules.deciding.decider import Decider
from rules.deciding.fit_check import advise

LEAST = '{"size": "adult H2 G2", "findings": {"no_finger_gap": true}}'
"""The least that a fit check says; the help names it too."""


@click.command(short_help="Say what to correct after a fit check.")
@click.argument("file", type=click.File("rb"))
@click.option("--base", default=DEFAULT_BASE, show_default=True, help="Base of the canonical URLs in a response.")
@click.option("--catalogue", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The site's items.")
@click.option("--why", is_flag=True, help="With the rule behind each correction, and the sources.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, as POST /fit-checks returns it.")
@knowledge_options
def fit(
    file: BinaryIO,
    base: str,
    catalogue: Path | None,
    why: bool,
    as_json: bool,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    r"""Say what to correct after the fit check in FILE (- for standard input).

    FILE holds what POST /fit-checks takes: size, findings, facts and history as JSON, or a FHIR QuestionnaireResponse.
    With --catalogue only items on the site's shelf are offered, unless FILE brings a shelf of its own. The least is:

    \b
    {"size": "adult H2 G2", "findings": {"no_finger_gap": true}}
    """
    decider = Decider(load_knowledge(knowledge, overlay))
    try:
        urls = Canonicals(base)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--base") from error
    stocked = load_catalogue(catalogue, decider.ruleset)
    name = getattr(file, "name", "-")
    name = "standard input" if name in ("-", "<stdin>") else name
    try:
        request = FitCheckRequest.model_validate(parse(file.read()))
        check = request.check(decider.ruleset, urls, stocked)
    except JsonProblem as error:
        raise InputError(f"{name}: {error}") from error
    except ValidationError as error:
        problems = [issue.as_fhir()["diagnostics"] for issue in issues_of(error.errors(include_url=False))]
        raise InputError("\n".join([*(f"{name}: {problem}" for problem in problems), f"such as {LEAST}"])) from error
    advice = advise(decider, check, request.at or utc_now())
    if as_json:
        click.echo(json.dumps(advice.as_json(), indent=2, ensure_ascii=False))
    else:
        click.echo(advice_text(decider.ruleset, advice, why=why))
