"""``nuque demo``: every invented patient of a demo folder, decided, explained, and written as FHIR."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from pydantic import AwareDatetime
from rich.console import Console
from rich.progress import track

from cds.cli.input_files import Input, InputError, read_input
from cds.cli.text.decision import decision_text, sources_text
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import as_bundle, suggested
from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Shelf
from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.loading import schema
from rules.loading.loader import load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Decision

_PACKAGE = Path(__file__).parents[2]
_SHIPPED = next(
    (folder for folder in (_PACKAGE / "demo_bundles", _PACKAGE.parent / "demo_bundles") if folder.is_dir()), None
)
"""The invented patients: inside the package once installed, beside it in a checkout."""


class _Patient(schema.Schema):
    """One entry of ``index.yaml``: the Bundle, what it shows, and the moment of decision."""

    file: str
    shows: str
    at: AwareDatetime


class _Index(schema.Schema):
    """The index of a demo folder."""

    hospital: str
    patients: tuple[_Patient, ...]


@dataclass(frozen=True)
class _Decided:
    """One patient of the folder, decided; ``bundle`` holds the FHIR resources for it."""

    entry: _Patient
    given: Input
    decision: Decision
    shelf: Shelf
    bundle: dict[str, Any]

    def document(self, written: Path) -> dict[str, Any]:
        """Everything about it as JSON values."""
        return {
            "file": self.entry.file,
            "shows": self.entry.shows,
            "decision": self.decision.as_json(),
            "stock": self.shelf.model_dump(mode="json"),
            "fhir": str(written),
        }


@click.command()
@click.option(
    "--folder",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    default=_SHIPPED,
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
@click.option("--full", is_flag=True, help="Also each task's instruction, and each rule that fired.")
@click.option("--json", "as_json", is_flag=True, help="All decisions as one JSON document.")
def demo(folder: Path | None, out: Path, full: bool, as_json: bool) -> None:
    """Decide for every invented patient in the folder, show why, and write the FHIR resources."""
    if folder is None:
        raise click.UsageError("this installation holds no invented patients; name a folder of your own with --folder")
    index = _read_index(folder)
    out.mkdir(parents=True, exist_ok=True)
    errors = Console(stderr=True)
    documents: list[dict[str, Any]] = []
    citations: dict[str, str] = {}
    for decided in track(
        _decide_all(folder, index),
        total=len(index.patients),
        description="Deciding",
        console=errors,
        transient=True,
        disable=not errors.is_terminal,
    ):
        written = out / f"{Path(decided.entry.file).stem}.fhir.json"
        written.write_text(json.dumps(decided.bundle, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        if as_json:
            documents.append(decided.document(written))
        else:
            title = f"{decided.given.title}: {decided.entry.shows}"
            click.echo(decision_text(decided.decision, title, decided.shelf, full=full))
            citations |= decided.decision.sources
    if as_json:
        click.echo(json.dumps(documents, indent=2, ensure_ascii=False))
    else:
        click.echo(sources_text(citations))
        click.echo(f"\n{len(index.patients)} patients of {index.hospital}; FHIR resources written to {out}/")


def _read_index(folder: Path) -> _Index:
    source = YamlFile.read(folder / "index.yaml")
    index = schema.read(source, (), source.data, _Index)
    if isinstance(index, list):
        raise KnowledgeError(index)
    return index


def _decide_all(folder: Path, index: _Index) -> Iterator[_Decided]:
    ruleset = load_ruleset()
    decider, codes = Decider(ruleset), load_code_map(ruleset)
    catalogue = Catalogue.load(folder / "catalogue.yaml", ruleset)
    for entry in index.patients:
        given = read_input(
            (folder / entry.file).read_bytes(), entry.file, ruleset, lambda: codes, entry.at, now=entry.at
        )
        if given.patient is None:
            raise InputError(f"{entry.file}: no patient is named; add a Patient resource")
        decision = decider.decide(given.facts, given.at, given.not_used)
        written = suggested(decision, OrderContext(given.patient, given.encounter))
        yield _Decided(entry, given, decision, catalogue.fitting(decision), as_bundle(written))
