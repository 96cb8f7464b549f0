"""``python -m tests.published.engines``: in how many generated patients engines of others agree with the service.

Ends with 1 where one is decided differently.
"""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import click

from cds.fhir.publishing.dmn.tables import decision_models
from cds.fhir.reading.code_map_loader import load_code_map
from rules.testing.generators import Generator
from tests.published.engines import fhirpath_plan
from tests.published.engines.agreement import by_cqframework, by_cql, differences, translated
from tests.published.engines.decided import Said, Service
from tests.published.engines.decision_tables import apart, by_service, by_tables
from tests.published.engines.generated_records import RecordWriter
from tests.shipped_content import RULESET as _RULESET

_AT_ONCE = 250


@click.command()
@click.option("--patients", default=10_000, show_default=True, help="How many patients.")
@click.option("--seed", default=1, show_default=True, help="Another seed gives other patients.")
@click.option(
    "--tables", "what", flag_value="tables", help="The decision tables (DMN) on facts, not the Library (CQL)."
)
@click.option(
    "--second",
    "what",
    flag_value="second",
    help="The Library by the engine that the translator carries, not by cql-execution; without codes written as text.",
)
@click.option(
    "--fhirpath",
    "what",
    flag_value="javascript",
    help="Variables and conditions in FHIRPath by fhirpath.js: rules that fire, and every fact.",
)
@click.option("--fhirpath-python", "what", flag_value="python", help="The same by fhirpathpy: seconds a patient.")
def main(patients: int, seed: int, what: str | None) -> None:
    """Compare rules that fire, size, reasons against one, cautions, and tasks with people, performer and times."""
    seen = found = 0
    if what == "tables":
        compared = _by_tables(patients, seed)
    elif what in ("javascript", "python"):
        compared = _by_fhirpath(patients, seed, python=what == "python")
    else:
        compared = _by_library(patients, seed, second=what == "second")
    for count, different in compared:
        seen, found = seen + count, found + len(different)
        for one in different:
            click.echo(f"different: {one}"[:2000])
        click.echo(f"{seen - found} of {seen} patients are decided alike")
    raise SystemExit(found > 0)


def _by_library(patients: int, seed: int, *, second: bool) -> Iterator[tuple[int, list[Any]]]:
    code_map = load_code_map(_RULESET)
    service = Service(_RULESET, code_map)
    decide: Callable[[list[Any]], Iterator[Said]] = (
        partial(by_cqframework, _RULESET, code_map) if second else partial(by_cql, translated(_RULESET, code_map))
    )
    written = RecordWriter(_RULESET, code_map, seed, texts=not second, own_focus=not second).bundles(patients)
    while some := list(itertools.islice(written, _AT_ONCE)):
        yield len(some), list(differences(service, some, decide(some)))


def _by_fhirpath(patients: int, seed: int, *, python: bool) -> Iterator[tuple[int, list[Any]]]:
    code_map = load_code_map(_RULESET)
    expressions = fhirpath_plan.published(_RULESET, code_map)
    written = RecordWriter(_RULESET, code_map, seed).bundles(patients)
    with tempfile.TemporaryDirectory() as folder:
        while some := list(itertools.islice(written, _AT_ONCE)):
            said = (
                fhirpath_plan.by_python(_RULESET, expressions, some)
                if python
                else fhirpath_plan.by_javascript(_RULESET, expressions, some, Path(folder))
            )
            ours = (fhirpath_plan.by_service(bundle, _RULESET, code_map) for bundle in some)
            yield len(some), [one for one in map(fhirpath_plan.apart, ours, said) if one]


def _by_tables(patients: int, seed: int) -> Iterator[tuple[int, list[Any]]]:
    models = decision_models(_RULESET)
    drawn = Generator(_RULESET, seed).patients(patients)
    with tempfile.TemporaryDirectory() as folder:
        while some := list(itertools.islice(drawn, _AT_ONCE)):
            different: dict[int, Any] = {}
            for model in models:
                given = by_tables(model, _RULESET, some, Path(folder))
                for number, (facts, other) in enumerate(zip(some, given, strict=True)):
                    different.setdefault(number, {}).update(apart(by_service(model, _RULESET, facts), other))
            yield len(some), [one for one in different.values() if one]


if __name__ == "__main__":
    main()
