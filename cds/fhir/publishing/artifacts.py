"""Everything that the service publishes under its canonical base, by resource type and id."""

from __future__ import annotations

from collections.abc import Mapping

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Resource
from cds.fhir.publishing.library import library
from cds.fhir.publishing.plan_definition import activity_definitions, plan_definition
from cds.fhir.publishing.questionnaire import questionnaire
from cds.fhir.publishing.structure_definitions import structure_definitions
from cds.fhir.publishing.terminology import code_systems, value_sets
from rules.model.ruleset import Ruleset


def artefacts(ruleset: Ruleset, base: str = DEFAULT_BASE) -> Mapping[tuple[str, str], Resource]:
    """Every artefact drawn from ``ruleset``, by ``(resource type, id)``; its ``url`` is ``base/type/id``.

    Raises ValueError where ``base`` is not a canonical base.
    """
    urls = Canonicals(base)
    published = (
        plan_definition(ruleset, urls),
        library(ruleset, urls),
        questionnaire(ruleset, urls),
        *activity_definitions(ruleset, urls),
        *code_systems(ruleset, urls),
        *value_sets(ruleset, urls),
        *structure_definitions(ruleset, urls),
    )
    return {(resource["resourceType"], resource["id"]): resource for resource in published}
