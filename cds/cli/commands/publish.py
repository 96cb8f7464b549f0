"""``nuque publish FOLDER``: the rule set as FHIR knowledge artefacts and decision tables, for a FHIR server or for reading."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import click

from cds.cli.invocation.options import knowledge_options, load_knowledge
from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Resource
from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.dmn.tables import decision_models
from cds.fhir.publishing.dmn.xml import dmn_file
from cds.fhir.publishing.fhirpath.variables import variables_file
from cds.fhir.publishing.implementation_guide import package_id
from cds.fhir.publishing.library import with_elm
from cds.fhir.publishing.npm_package import package
from cds.fhir.reading.code_map_loader import load_code_map


@click.command(short_help="Write the rule set as FHIR R4 files.")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--base", default=DEFAULT_BASE, show_default=True, help="Base of the canonical URLs.")
@click.option(
    "--package",
    "packed",
    is_flag=True,
    help="Write one FHIR package in place of single files; the same bytes each time.",
)
@click.option(
    "--elm",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="The Library's CQL as a translator made ELM (JSON) of it: put beside the source.",
)
@knowledge_options
def publish(
    folder: Path, base: str, packed: bool, elm: Path | None, knowledge: str | None, overlay: tuple[str, ...]
) -> None:
    """Write the rule set to FOLDER as FHIR R4, one file a resource: FOLDER/TYPE/ID.json.

    PlanDefinition, Library, Questionnaire, ActivityDefinition, CodeSystem, ValueSet, the StructureDefinition of each
    extension, and the ImplementationGuide of all. Beside them, in FOLDER/dmn, four decision models (DMN 1.3): sizing, need,
    skin inspection, people; and in FOLDER/fhirpath what the conditions of the PlanDefinition name, read out of a Bundle.
    """
    ruleset = load_knowledge(knowledge, overlay)
    try:
        published = artefacts(ruleset, base)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--base") from error
    if elm is not None:
        published = {**published, **_translated(published, elm)}
    others = {
        f"dmn/{model.name}.dmn": dmn_file(model, ruleset.vocabulary, Canonicals(base))
        for model in decision_models(ruleset)
    }
    others[f"fhirpath/{ruleset.name}.fhirpath"] = variables_file(ruleset, load_code_map(ruleset, base=base))
    if packed:
        file = folder / f"{package_id(ruleset)}-{ruleset.version}.tgz"
        flat = {Path(name).name: content for name, content in others.items()}
        _write(file, package(ruleset, published, base, flat))
        click.echo(f"{len(published)} resources of {ruleset.name} {ruleset.version} packed in {file}")
        return
    for (resource_type, name), resource in published.items():
        content = json.dumps(resource, indent=2, ensure_ascii=False) + "\n"
        _write(folder / resource_type / f"{name}.json", content.encode())
    for name, other in others.items():
        _write(folder / name, other.encode())
    click.echo(f"{len(published)} resources of {ruleset.name} {ruleset.version} written to {folder}/")


def _translated(published: Mapping[tuple[str, str], Resource], elm: Path) -> dict[tuple[str, str], Resource]:
    try:
        return {
            (kind, name): with_elm(resource, elm.read_bytes())
            for (kind, name), resource in published.items()
            if kind == "Library"
        }
    except ValueError as error:
        raise click.BadParameter(f"{elm}: {error}", param_hint="--elm") from error


def _write(file: Path, content: bytes) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(content)
