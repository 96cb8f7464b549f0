"""The extensions that our drafts carry, published as StructureDefinitions so that their URLs lead somewhere."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, present
from cds.fhir.publishing.metadata import heading
from cds.fhir.writing.fhir_timing import CARE_EVENTS, DUE_ON, FIRST_WITHIN
from cds.fhir.writing.request_common import PEOPLE_NEEDED, RULE, RULESET_HASH
from rules.model.ruleset import Ruleset

FHIR_VERSION = "4.0.1"
FACT_SOURCE = "fact-source"


@dataclass(frozen=True)
class ExtensionDefinition:
    """One extension: what it says, the type of its value, and the elements that may carry it.

    ``codes`` is the value set of ours that a code must come from, where there is one.
    """

    name: str
    title: str
    meaning: str
    value_type: str
    contexts: tuple[str, ...]
    codes: str | None = None


_REQUESTS = ("ServiceRequest", "DeviceRequest", "RequestGroup")

EXTENSIONS = (
    ExtensionDefinition(
        RULE,
        "Rule",
        "Id of a rule behind this element. Repeats, once for each rule.",
        "code",
        (*_REQUESTS, "CarePlan.activity", "Annotation", "PlanDefinition.action"),
    ),
    ExtensionDefinition(
        RULESET_HASH,
        "Hash of the rule set",
        "SHA-256 of the clinical content that decided, a site's own changes included: two equal hashes are equal rules.",
        "string",
        (*_REQUESTS, "CarePlan", "PlanDefinition", "Library"),
    ),
    ExtensionDefinition(
        PEOPLE_NEEDED,
        "People needed",
        "How many people it takes to do this safely. In an activity of a care plan that does not say it: one.",
        "positiveInt",
        ("ServiceRequest", "CarePlan.activity.detail", "PlanDefinition.action", "ActivityDefinition"),
    ),
    ExtensionDefinition(
        FIRST_WITHIN,
        "First within",
        "The latest moment for the first or only time, counted from the decision. Timing cannot say it of a first time.",
        "Duration",
        ("Timing",),
    ),
    ExtensionDefinition(
        DUE_ON,
        "Due on an event",
        "An event at which the task is due (as well). Repeats. Timing knows meals and sleep, not refitting or new symptoms.",
        "code",
        ("Timing",),
        codes=CARE_EVENTS,
    ),
    ExtensionDefinition(
        FACT_SOURCE,
        "Source of an answer",
        "The record from which an answer was taken, what it says, and since when.",
        "Reference",
        ("QuestionnaireResponse.item.answer",),
    ),
)


def structure_definitions(ruleset: Ruleset, urls: Canonicals) -> Iterable[Resource]:
    """A StructureDefinition for each extension; ``ruleset`` gives the version, ``urls`` the canonical URLs."""
    for defined in EXTENSIONS:
        yield present(
            **heading("StructureDefinition", defined.name, defined.title, defined.meaning, ruleset, urls),
            fhirVersion=FHIR_VERSION,
            kind="complex-type",
            abstract=False,
            context=[{"type": "element", "expression": path} for path in defined.contexts],
            type="Extension",
            baseDefinition="http://hl7.org/fhir/StructureDefinition/Extension",
            derivation="constraint",
            differential={"element": _elements(defined, urls)},
        )


def _elements(defined: ExtensionDefinition, urls: Canonicals) -> list[Element]:
    return [
        {"id": "Extension", "path": "Extension", "short": defined.title, "definition": defined.meaning},
        {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
        {"id": "Extension.url", "path": "Extension.url", "fixedUri": urls.extension(defined.name)},
        present(
            id="Extension.value[x]",
            path="Extension.value[x]",
            min=1,
            type=[{"code": defined.value_type}],
            binding=defined.codes and {"strength": "required", "valueSet": urls.value_set(defined.codes)},
        ),
    ]
