"""Everything that the service publishes under its canonical base, by resource type and id."""

from __future__ import annotations

from collections.abc import Mapping

from cds.defaults import DEFAULT_BASE
from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Resource
from cds.fhir.publishing.fact_questionnaire import fact_questionnaire
from cds.fhir.publishing.implementation_guide import implementation_guide
from cds.fhir.publishing.library import library
from cds.fhir.publishing.plan_definition import activity_definitions, plan_definition
from cds.fhir.publishing.questionnaire import questionnaire
from cds.fhir.publishing.structure_definitions import structure_definitions
from cds.fhir.publishing.terminology import code_systems, value_sets
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.code_map_loader import load_code_map
from rules.model.ruleset import Ruleset


def artefacts(
    ruleset: Ruleset, base: str = DEFAULT_BASE, code_map: CodeMap | None = None
) -> Mapping[tuple[str, str], Resource]:
    """Every artefact drawn from ``ruleset``, by ``(resource type, id)``; its ``url`` is ``base/type/id``.

    ``code_map`` says by which codes the Library reads facts (default: the shipped one). Raises ValueError where ``base`` is
    not a canonical base.
    """
    urls = Canonicals(base)
    read_by = code_map or load_code_map(ruleset, base=base)
    published = [
        plan_definition(ruleset, urls),
        library(ruleset, read_by, urls),
        questionnaire(ruleset, urls),
        fact_questionnaire(ruleset, urls),
        *activity_definitions(ruleset, urls),
        *code_systems(ruleset, urls),
        *value_sets(ruleset, urls),
        *structure_definitions(ruleset, urls),
    ]
    published.append(implementation_guide(ruleset, published, urls))
    return {(resource["resourceType"], resource["id"]): resource for resource in published}
