"""Small FHIR resources for the tests of reading, all of one invented patient."""

from collections.abc import Iterable
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import Reading, read
from cds.fhir.reading.reconciliation import Accepted, Rejected
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset
from tests.shipped_content import RULESET

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
OWN = "https://nuque.example.org/fhir/CodeSystem/facts"
VALUES = "https://nuque.example.org/fhir/CodeSystem/fact-values"
LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
UCUM = "http://unitsofmeasure.org"

Resource = dict[str, Any]


def ruleset() -> Ruleset:
    return RULESET


@lru_cache
def code_map() -> CodeMap:
    return load_code_map(ruleset())


def reading(*resources: Any, **options: Any) -> Reading:
    """What is read from a Bundle of these resources and the usual patient."""
    return read(bundle(patient(), *resources), ruleset(), code_map(), options.pop("at", AT), **options)


def facts(*resources: Any) -> dict[str, FactValue]:
    """The facts read from these resources, without those of the usual patient."""
    return {fact.name: fact.value for fact in reading(*resources).facts if fact.name not in ("age_years", "sex")}


def reasons(*resources: Any) -> list[str]:
    return [refused.reason for refused in reading(*resources).not_used]


def as_listed(findings: Iterable[Accepted | Rejected]) -> list[Accepted | Rejected]:
    """``findings``; of what is refused only what is listed, not what it would say of its fact."""
    return [found._replace(says=None) if isinstance(found, Rejected) else found for found in findings]


def bundle(*resources: Any) -> Resource:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": resource} for resource in resources]}


def patient(**fields: Any) -> Resource:
    return {"resourceType": "Patient", "id": "p", "birthDate": "1980-05-05", "gender": "female", **fields}


def concept(code: str, system: str = OWN) -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def quantity(value: Any, unit: str) -> Resource:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def observation(identity: str, code: str, system: str = OWN, **fields: Any) -> Resource:
    return {
        "resourceType": "Observation",
        "id": identity,
        "status": "final",
        "subject": {"reference": "Patient/p"},
        "code": concept(code, system),
        "effectiveDateTime": "2026-01-31T09:00:00Z",
        **fields,
    }


def neck(identity: str, value: Any, unit: str = "mm", **fields: Any) -> Resource:
    """A neck circumference."""
    return observation(identity, "neck-circumference", valueQuantity=quantity(value, unit), **fields)


def of_patient(resource_type: str, identity: str, **fields: Any) -> Resource:
    return {"resourceType": resource_type, "id": identity, "subject": {"reference": "Patient/p"}, **fields}


def record(resource: Resource, *, url: str | None = None) -> Record:
    """``resource`` as the reader holds it; its label, by which messages name it, is another than its reference."""
    kind, identity = resource["resourceType"], resource.get("id")
    reference = None if identity is None else f"{kind}/{identity}"
    return Record(resource, kind, reference, f"label of {reference}", url)
