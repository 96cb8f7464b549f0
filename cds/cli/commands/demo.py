"""``nuque demo``: every invented patient of a demo folder, decided, shown in a table, and written as FHIR."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import track

from cds.cli.invocation.input_files import Input, InputError, read_input
from cds.cli.text.brief import PatientRow, brief_text, table
from cds.cli.text.decision_text import decision_text, sources_text
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import as_bundle, suggested
from cds.reports.report_blocks import count
from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Shelf
from cds.site.demo_patients import SHIPPED, DemoIndex, DemoPatient
from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_MOST_NUMBERS = 20
"""So many patients are listed one by one where a number is wrong."""


@dataclass(frozen=True)
class _Decided:
    """One patient of the folder, decided; ``bundle`` holds the FHIR resources for it."""

    entry: DemoPatient
    given: Input
    decision: Decision
    shelf: Shelf
    bundle: dict[str, Any]

    @property
    def title(self) -> str:
        """Who it is, and what it shows."""
        return f"{self.given.title}: {self.entry.shows}"

    def written_to(self, out: Path) -> Path:
        """The file of its FHIR resources in the folder ``out``."""
        return out / f"{Path(self.entry.file).stem}.fhir.json"

    def document(self, out: Path) -> dict[str, Any]:
        """Everything about it as JSON values."""
        return {
            "file": self.entry.file,
            "shows": self.entry.shows,
            "decision": self.decision.as_json(),
            "stock": self.shelf.model_dump(mode="json"),
            "fhir": str(self.written_to(out)),
        }


@click.command(short_help="Decide for every invented patient, a line each.")
@click.argument("patient", required=False)
@click.option(
    "--folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    default=SHIPPED,
    show_default="the invented patients that come with Nuque",
    help="Folder with index.yaml, the patients' Bundles and catalogue.yaml.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("out/demo"),
    show_default=True,
    help="Folder for the FHIR resources, one Bundle a patient.",
)
@click.option("--why", is_flag=True, help="In place of the table, each decision with the rules behind it.")
@click.option("--full", is_flag=True, help="The same with every instruction and each rule that fired.")
@click.option("--json", "as_json", is_flag=True, help="All decisions as one JSON document.")
def demo(patient: str | None, folder: Path | None, out: Path, why: bool, full: bool, as_json: bool) -> None:
    """Decide for every invented patient in the folder and write the FHIR resources: a table, one line a patient.

    PATIENT, the number at the start of a line (13), shows one of them.
    """
    if folder is None:
        raise click.UsageError("this installation holds no invented patients; name a folder of your own with --folder")
    index = DemoIndex.read(folder)
    chosen = _chosen(index, patient)
    ruleset = load_ruleset()
    decided = _written(_decide_all(ruleset, folder, chosen), out, len(chosen))
    if as_json:
        click.echo(json.dumps([each.document(out) for each in decided], indent=2, ensure_ascii=False))
        return
    if why or full:
        for each in decided:
            click.echo(decision_text(ruleset, each.decision, each.title, each.shelf, full=full))
        click.echo(sources_text({name: text for each in decided for name, text in each.decision.sources.items()}))
    elif patient is not None:
        click.echo(brief_text(ruleset, decided[0].decision, decided[0].title, decided[0].shelf))
    else:
        click.echo(
            table(PatientRow(each.entry.number, each.given.title.split(" (")[0], each.decision) for each in decided)
        )
        click.echo(
            "! critical. One patient: nuque demo 13 (make demo ARGS=13); with reasons: nuque demo 13 --why", nl=False
        )
    click.echo(f"\n{count(len(decided), 'patient')} of {index.hospital}; FHIR resources written to {out}/")


def _chosen(index: DemoIndex, patient: str | None) -> tuple[DemoPatient, ...]:
    """The entry of the number ``patient``, or all. Raises UsageError where there is none."""
    chosen = tuple(entry for entry in index.patients if patient in (None, entry.number))
    if not chosen:
        numbers = [entry.number for entry in index.patients]
        there = f"{numbers[0]} to {numbers[-1]}" if len(numbers) > _MOST_NUMBERS else ", ".join(numbers)
        raise click.UsageError(f"no patient {patient}; there are {there}")
    return chosen


def _written(deciding: Iterator[_Decided], out: Path, total: int) -> list[_Decided]:
    """Everybody of ``deciding``, the FHIR resources of each written to ``out`` on the way."""
    out.mkdir(parents=True, exist_ok=True)
    errors = Console(stderr=True)
    decided = []
    for each in track(
        deciding, total=total, description="Deciding", console=errors, transient=True, disable=not errors.is_terminal
    ):
        text = json.dumps(each.bundle, indent=2, ensure_ascii=False) + "\n"
        each.written_to(out).write_text(text, encoding="utf-8")
        decided.append(each)
    return decided


def _decide_all(ruleset: Ruleset, folder: Path, chosen: tuple[DemoPatient, ...]) -> Iterator[_Decided]:
    decider, codes = Decider(ruleset), load_code_map(ruleset)
    catalogue = Catalogue.load(folder / "catalogue.yaml", ruleset)
    for entry in chosen:
        given = read_input(
            (folder / entry.file).read_bytes(), entry.file, ruleset, lambda: codes, entry.at, now=entry.at
        )
        if given.patient is None:
            raise InputError(f"{entry.file}: no patient is named; add a Patient resource")
        decision = decider.decide(given.facts, given.at, given.not_used)
        written = suggested(decision, OrderContext(given.patient, given.encounter))
        yield _Decided(entry, given, decision, catalogue.fitting(decision), as_bundle(written))
