"""``python -m tests.published.engines --patients 10000``: in how many generated patients a CQL engine agrees with the service.

Ends with 1 where one is decided differently.
"""

from __future__ import annotations

import itertools

import click

from cds.fhir.reading.code_map_loader import load_code_map
from rules import load_ruleset
from tests.published.engines.agreement import by_cql, differences, translated
from tests.published.engines.decided import Service
from tests.published.engines.generated_records import RecordWriter

_AT_ONCE = 250


@click.command()
@click.option("--patients", default=10_000, show_default=True, help="How many patients.")
@click.option("--seed", default=1, show_default=True, help="Another seed gives other patients.")
def main(patients: int, seed: int) -> None:
    """Compare rules that fire, size, reasons against one, cautions, and tasks with people, performer and times."""
    ruleset = load_ruleset()
    code_map = load_code_map(ruleset)
    elm, service = translated(ruleset, code_map), Service(ruleset, code_map)
    bundles = RecordWriter(ruleset, code_map, seed).bundles(patients)
    seen = apart = 0
    while some := list(itertools.islice(bundles, _AT_ONCE)):
        found = list(differences(service, some, by_cql(elm, some)))
        seen, apart = seen + len(some), apart + len(found)
        for one in found:
            click.echo(f"different: {one}"[:2000])
        click.echo(f"{seen - apart} of {seen} patients are decided alike", nl=True)
    raise SystemExit(apart > 0)


if __name__ == "__main__":
    main()
