"""The validators themselves: a sound resource passes, and each kind of fault is found.

Source of the faults' names: FHIR R4 (4.0.1), http://hl7.org/fhir/R4, the invariants of each type. The library
``fhirkit`` finds faults of structure and form but neither codes nor invariants; the official definitions find all.
"""

import copy
from collections.abc import Callable
from typing import Any

import fhirkit
import pytest

from tests.published.fhir_r4.official import R4, problems

Resource = dict[str, Any]
Spoil = Callable[[Resource], object]

ORDER: Resource = {
    "resourceType": "ServiceRequest",
    "extension": [{"url": "http://example.org/a", "valueString": "a"}],
    "status": "draft",
    "intent": "proposal",
    "code": {"text": "Fit a collar"},
    "orderDetail": [{"text": "adult"}],
    "subject": {"reference": "Patient/1"},
    "authoredOn": "2026-01-31T10:00:00Z",
    "occurrenceTiming": {"repeat": {"frequency": 1, "period": 8, "periodUnit": "h"}},
    "reasonReference": [{"reference": "Observation/1"}],
    "note": [{"text": "a"}],
}
PLAN: Resource = {
    "resourceType": "CarePlan",
    "contained": [
        {
            "resourceType": "Goal",
            "id": "goal-1",
            "lifecycleStatus": "proposed",
            "description": {"text": "Skin is whole."},
            "subject": {"reference": "Patient/1"},
        }
    ],
    "status": "draft",
    "intent": "proposal",
    "subject": {"reference": "Patient/1"},
    "goal": [{"reference": "#goal-1"}],
    "activity": [{"detail": {"kind": "Task", "status": "not-started", "description": "Look at the skin."}}],
}


def setting(**elements: object) -> Spoil:
    return lambda resource: resource.update(elements)


def without(name: str) -> Spoil:
    return lambda resource: resource.pop(name)


def timing(**elements: object) -> Spoil:
    return lambda order: order["occurrenceTiming"]["repeat"].update(elements)


def detail(**elements: object) -> Spoil:
    return lambda plan: plan["activity"][0]["detail"].update(elements)


STRUCTURE: dict[str, tuple[Resource, Spoil, str]] = {
    "required element missing": (ORDER, without("subject"), "subject"),
    "no element of this name": (ORDER, setting(size="H3"), "size"),
    "null": (ORDER, setting(encounter=None), "encounter"),
    "empty list": (ORDER, setting(note=[]), "note"),
    "empty text": (ORDER, setting(implicitRules=""), "implicitRules"),
    "one value where a list belongs": (ORDER, setting(note={"text": "a"}), "note"),
    "a list where one value belongs": (ORDER, setting(subject=[{"reference": "Patient/1"}]), "subject"),
    "two forms of a choice": (ORDER, setting(occurrenceDateTime="2026-01-01"), "occurrence[x]"),
    "a number for a code": (ORDER, setting(status=1), "status"),
    "no such month": (ORDER, setting(authoredOn="2026-13-01"), "authoredOn"),
    "time without zone": (ORDER, setting(authoredOn="2026-01-31T10:00:00"), "authoredOn"),
    "code with outer space": (ORDER, setting(code={"coding": [{"code": " a"}]}), "code"),
    "positiveInt of zero": (ORDER, timing(count=0), "count"),
    "two bounds": (ORDER, timing(boundsPeriod={"start": "2026"}, boundsDuration={"value": 1}), "bounds[x]"),
    "extension without url": (ORDER, lambda r: r["extension"][0].pop("url"), "url"),
    "note without text": (ORDER, setting(note=[{"time": "2026"}]), "text"),
    "contained resource at fault": (PLAN, lambda r: r["contained"][0].pop("lifecycleStatus"), "lifecycleStatus"),
    "activity without status": (PLAN, lambda r: r["activity"][0]["detail"].pop("status"), "status"),
}
MEANING: dict[str, tuple[Resource, Spoil, str]] = {
    "empty object": (ORDER, setting(code={}), "ele-1"),
    "id with a space": (ORDER, setting(id="a b"), "id"),
    "status outside its value set": (ORDER, setting(status="ready"), "request-status"),
    "intent outside its value set": (ORDER, setting(intent="wish"), "request-intent"),
    "unit of time outside its value set": (ORDER, timing(periodUnit="fortnight"), "units-of-time"),
    "kind of activity outside its value set": (PLAN, detail(kind="Wish"), "care-plan-activity-kind"),
    "period without unit": (ORDER, lambda r: r["occurrenceTiming"]["repeat"].pop("periodUnit"), "tim-2"),
    "negative period": (ORDER, timing(period=-1), "tim-5"),
    "duration in no unit of time's system": (ORDER, timing(boundsDuration={"value": 1, "code": "d"}), "drt-1"),
    "period that ends before it starts": (ORDER, timing(boundsPeriod={"start": "2027", "end": "2026"}), "per-1"),
    "details of no order": (ORDER, without("code"), "prr-1"),
    "extension without value": (ORDER, lambda r: r["extension"][0].pop("valueString"), "ext-1"),
    "a patient as the reason": (ORDER, setting(reasonReference=[{"reference": "Patient/1"}]), "Patient"),
    "reference to nothing contained": (ORDER, setting(requester={"reference": "#1"}), "ref-1"),
    "activity by reference and in line": (
        PLAN,
        lambda r: r["activity"][0].update(reference={"reference": "Task/1"}),
        "cpl-3",
    ),
    "contained resource that nothing refers to": (PLAN, without("goal"), "dom-3"),
}


def test_the_definitions_are_those_of_r4() -> None:
    assert R4["version"] == "4.0.1"


@pytest.mark.parametrize("resource", [ORDER, PLAN], ids=["order", "plan"])
def test_sound_resources_pass(resource: Resource) -> None:
    assert problems(resource) == []
    assert fhirkit.validate(resource) == []


@pytest.mark.parametrize("fault", STRUCTURE | MEANING)
def test_the_official_definitions_find(fault: str) -> None:
    sound, spoil, names = (STRUCTURE | MEANING)[fault]
    resource = copy.deepcopy(sound)
    spoil(resource)
    assert any(names in problem for problem in problems(resource)), problems(resource)


@pytest.mark.parametrize("fault", STRUCTURE)
def test_the_independent_library_finds(fault: str) -> None:
    sound, spoil, _ = STRUCTURE[fault]
    resource = copy.deepcopy(sound)
    spoil(resource)
    assert fhirkit.validate(resource) != []
