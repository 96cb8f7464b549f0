"""``nuque publish FOLDER``: the rule set as FHIR knowledge artefacts and decision tables, for a FHIR server or for reading."""

from __future__ import annotations

import json
from pathlib import Path

import click

from cds.cli.options import knowledge_options, load_knowledge
from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.dmn.tables import decision_models
from cds.fhir.publishing.dmn.xml import dmn_file


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--base", default=DEFAULT_BASE, show_default=True, help="Base of the canonical URLs.")
@knowledge_options
def publish(folder: Path, base: str, knowledge: str | None, overlay: tuple[str, ...]) -> None:
    """Write the rule set to FOLDER as FHIR R4, one file a resource: FOLDER/TYPE/ID.json.

    PlanDefinition, Library, Questionnaire, ActivityDefinition, CodeSystem, ValueSet, and the StructureDefinition of each
    extension. Beside them, in FOLDER/dmn, four decision models (DMN 1.3): sizing, need, skin inspection, people.
    """
    ruleset = load_knowledge(knowledge, overlay)
    try:
        published = artefacts(ruleset, base)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--base") from error
    for (resource_type, name), resource in published.items():
        _write(folder / resource_type / f"{name}.json", json.dumps(resource, indent=2, ensure_ascii=False) + "\n")
    for model in decision_models(ruleset):
        _write(folder / "dmn" / f"{model.name}.dmn", dmn_file(model, ruleset.vocabulary, Canonicals(base)))
    click.echo(f"{len(published)} resources of {ruleset.name} {ruleset.version} written to {folder}/")


def _write(file: Path, content: str) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(content, encoding="utf-8")
