"""The rule set as a Library: logic in CQL, what it retrieves, what goes in and comes out, and everything that it rests on."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterable

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, extension, number, present, text
from cds.fhir.publishing.cql.fact_definitions import observable
from cds.fhir.publishing.cql.library_source import cql_library, library_name
from cds.fhir.publishing.cql.observation import retrieved
from cds.fhir.publishing.metadata import heading
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.writing.request_common import RULESET_HASH
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

_TYPE = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "logic-library"}],
    "text": "Logic library",
}
_VALUE_TYPES = {"number": "decimal", "integer": "integer", "boolean": "boolean", "code": "code"}
_BY_NO_CODE = {
    "Observation": ["status", "code", "effective", "value", "dataAbsentReason", "component"],
    "Condition": ["code", "clinicalStatus", "verificationStatus", "recordedDate", "onset", "abatement"],
    "Procedure": ["status", "code", "performed"],
    "ServiceRequest": ["status", "intent", "doNotPerform", "category", "code", "occurrence", "authoredOn"],
    "QuestionnaireResponse": ["status", "authored", "item"],
    "DeviceUseStatement": ["status", "timing", "recordedOn", "device"],
    "Device": ["type"],
    "Encounter": ["status", "class", "period", "location"],
    "Location": ["type"],
}
"""What is retrieved whole: its codes are known by their beginnings, or stand in its parts."""


def library(ruleset: Ruleset, code_map: CodeMap, urls: Canonicals) -> Resource:
    """The Library of ``ruleset``, whose CQL reads facts by the codes of ``code_map``.

    Each parameter is a fact, which conditions in FHIRPath name as ``%NAME`` and the CQL defines by its name. ``urls``
    are those of the artefacts and extensions.
    """
    source = cql_library(ruleset, code_map)
    return present(
        **heading("Library", ruleset.name, ruleset.title, ruleset.disclaimer, ruleset, urls)
        | {"name": library_name(ruleset)},
        extension=[extension(urls.extension(RULESET_HASH), {"valueString": ruleset.hash})],
        type=_TYPE,
        relatedArtifact=list(_published(ruleset)),
        parameter=[entry for fact in ruleset.vocabulary.values() for entry in _parameters(fact)],
        dataRequirement=list(_requirements(ruleset, code_map, urls)),
        content=[{"contentType": "text/cql", "data": b64encode(source.encode()).decode()}],
    )


def _requirements(ruleset: Ruleset, code_map: CodeMap, urls: Canonicals) -> Iterable[Element]:
    """What the CQL retrieves: codes, answers, and how far back."""
    yield {"type": "Patient", "mustSupport": ["birthDate", "gender"]}
    for kind, elements in _BY_NO_CODE.items():
        yield {"type": kind, "mustSupport": elements}
    for fact in observable(ruleset):
        limit = None if fact.name in code_map.elapsing else ruleset.looked_back_hours(fact)
        answers = urls.value_set(fact.code) if fact.type == "code" else None
        yield present(
            type="Observation",
            mustSupport=["status", "code", "effective", "value"],
            codeFilter=[
                {
                    "path": "code",
                    "code": [{"system": key.system, "code": key.code} for key in retrieved([fact], code_map)],
                },
                *([{"path": "value", "valueSet": f"{answers}|{ruleset.version}"}] if answers else []),
            ],
            dateFilter=limit and [{"path": "effective", "valueDuration": _hours(limit)}],
        )


def _hours(count: float) -> Element:
    return {"value": number(count), "unit": "h", "system": "http://unitsofmeasure.org", "code": "h"}


def _published(ruleset: Ruleset) -> Iterable[Element]:
    for name, source in ruleset.sources.items():
        if source.kind == "published":
            yield present(
                type="citation",
                label=text(name),
                display=source.supports and text(source.supports),
                citation=text(source.citation),
            )


def _parameters(fact: FactDefinition) -> Iterable[Element]:
    """A fact goes in where an observer may give it, and comes out where rules may conclude it."""
    uses = {"observed": ("in",), "concluded": ("out",), "either": ("in", "out")}[fact.given]
    unit = f" In {fact.unit}." if fact.unit else ""
    for use in uses:
        yield {
            "name": fact.name,
            "use": use,
            "min": 0,
            "max": "1",
            "documentation": text(fact.meaning + unit),
            "type": _VALUE_TYPES[fact.type],
        }


def with_elm(library: Resource, elm: bytes) -> Resource:
    """``library`` with the translation ``elm`` (ELM, JSON) of its CQL beside the source.

    Raises ValueError where ``elm`` is not ELM, or that of another library or version.
    """
    try:
        identifier = json.loads(elm)["library"]["identifier"]
        found = (identifier["id"], identifier["version"])
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError("not ELM in JSON: library.identifier with id and version is missing") from error
    wanted = (library["name"], library["version"])
    if found != wanted:
        raise ValueError(f"ELM of {' '.join(map(str, found))}; wanted is that of {' '.join(wanted)}")
    translation = {"contentType": "application/elm+json", "data": b64encode(elm).decode()}
    return library | {"content": [*library["content"], translation]}
