"""What stands already. Element names are those of FHIR R4 (4.0.1); the states those of its request-status."""

from __future__ import annotations

from typing import Any

import pytest

from cds.hooks.suggestions.existing_orders import StandingCare
from cds.protocol.request import Resource
from tests.cds.hooks.suggestions.small_collar import BASE, CONTEXT, coded

FIT = coded("orders", "fit-rigid-neck-collar")


def stands(kind: str, given: str, **more: Any) -> Resource:
    found = {"resourceType": kind, "id": given, "status": "active", "subject": {"reference": "Patient/p1"}, **more}
    return {name: value for name, value in found.items() if value is not None}


def service(given: str, code: Any = None, **more: Any) -> Resource:
    return stands("ServiceRequest", given, code=code, **more)


def device(given: str, code: Any = None, **more: Any) -> Resource:
    return stands("DeviceRequest", given, codeCodeableConcept=code, **more)


def plan(given: str, *codes: Any, of: str = "PlanDefinition/small-collar|0.9", **more: Any) -> Resource:
    activities = [{"detail": {"code": code}} for code in codes]
    return stands("CarePlan", given, instantiatesCanonical=[f"{BASE}/{of}"], activity=activities, **more)


def standing(*resources: Resource, collar: tuple[str, ...] = ()) -> StandingCare:
    """What stands among ``resources``; those whose ids are in ``collar`` are the site's own orders for one."""
    return StandingCare.of(resources, "p1", CONTEXT.canonicals, "small_collar", lambda each: each["id"] in collar)


def summary(found: StandingCare) -> tuple[dict[str, str], str | None, list[str]]:
    by_code = {name: each["id"] for name, each in found.by_code.items()}
    return by_code, None if found.device is None else found.device["id"], [each["id"] for each in found.plans]


OWN = coded("tasks", "call-somebody")
MODIFIED = {"modifierExtension": [{"url": "http://x.example/only-if-cleared", "valueBoolean": True}]}
RULED = {"implicitRules": "http://x.example/r"}


@pytest.mark.parametrize(
    ("resources", "collar", "expected"),
    [
        ([], (), ({}, None, [])),
        ([service("a", OWN), service("b", FIT)], (), ({"call-somebody": "a", "fit-rigid-neck-collar": "b"}, None, [])),
        # The first counts.
        ([service("a", OWN), service("b", OWN)], (), ({"call-somebody": "a"}, None, [])),
        ([service("a"), service("b", FIT)], ("a",), ({"fit-rigid-neck-collar": "a"}, None, [])),
        ([device("a", coded("size-classes", "G1")), device("b", coded("size-classes", "G2"))], (), ({}, "a", [])),
        ([device("a"), device("b")], ("b",), ({}, "b", [])),
        ([device("a", coded("size-axes", "G1"))], (), ({}, None, [])),
        ([device("a", OWN)], (), ({}, None, [])),
        # Codes of other systems, and what is not text, are not ours.
        ([service("a", coded("size-classes", "call-somebody")), service("b", coded("tasks", 7))], (), ({}, None, [])),
        (
            [plan("a", OWN, coded("tasks", "look"))],
            (),
            ({"call-somebody": "a", "look": "a"}, None, ["a"]),
        ),
        ([plan("a", of="PlanDefinition/small-collar"), plan("b")], (), ({}, None, ["a", "b"])),
        ([plan("a", OWN, of="PlanDefinition/another|1")], (), ({"call-somebody": "a"}, None, [])),
        (
            [plan("a", of="PlanDefinition/small-collar-2|1"), plan("b", of="ActivityDefinition/small-collar")],
            (),
            ({}, None, []),
        ),
        (
            [{**plan("a"), "instantiatesCanonical": [7, {}]}, {**plan("b"), "activity": [7, {"detail": 7}]}],
            (),
            ({}, None, ["b"]),
        ),
        # Whatever else: over, without an id, of another patient, of another type.
        ([service("a", OWN, status="completed"), service("b", OWN, status=None)], (), ({}, None, [])),
        ([service("a", OWN, id=None), service("b", OWN, id=7)], (), ({}, None, [])),
        ([service("a", OWN, subject={"reference": "Patient/p2"})], (), ({}, None, [])),
        ([stands("Task", "a", code=OWN)], ("a",), ({}, None, [])),
        ([service("a/b", OWN), service("a_b", OWN), service("a" * 65, OWN)], (), ({}, None, [])),
        # What is forbidden is not ordered (FHIR R4, ServiceRequest.doNotPerform, CarePlan.activity.detail.doNotPerform).
        ([service("a", OWN, doNotPerform=True), service("b", FIT, doNotPerform=True)], ("a",), ({}, None, [])),
        # Nor is what may be: a modifier that is neither true nor false, or is only said to be unknown.
        ([service("a", OWN, doNotPerform="true"), service("b", FIT, doNotPerform=1)], ("a",), ({}, None, [])),
        ([service("a", OWN, _doNotPerform={"id": "unknown"})], ("a",), ({}, None, [])),
        (
            [plan("a") | {"activity": [{"detail": {"code": OWN, "doNotPerform": True}}]}],
            (),
            ({}, None, ["a"]),
        ),
        # What carries an unknown modifier covers no care (FHIR R4, Extensibility); a collar is not ordered beside one.
        ([service("a", OWN, **MODIFIED), plan("b", OWN, **MODIFIED), service("c", OWN, **RULED)], (), ({}, None, [])),
        ([plan("a") | {"activity": [{"detail": {"code": OWN}, **MODIFIED}]}], (), ({}, None, [])),
        (
            [service("a", FIT, **MODIFIED), device("b", coded("size-classes", "G1"), **RULED)],
            (),
            ({"fit-rigid-neck-collar": "a"}, "b", []),
        ),
        (
            [service("a", OWN, contained=[{"resourceType": "Device", **MODIFIED}])],
            (),
            ({"call-somebody": "a"}, None, []),
        ),
        ([service("a", OWN, modifierExtension=[], implicitRules=None)], (), ({"call-somebody": "a"}, None, [])),
        (
            [
                service("a", OWN, status="draft", subject=None),
                service("b", FIT, status="on-hold", subject={"reference": "https://fhir.example/Patient/p1"}),
            ],
            (),
            ({"call-somebody": "a", "fit-rigid-neck-collar": "b"}, None, []),
        ),
    ],
)
def test_what_stands_is_found_by_code_by_size_and_by_rule_set(
    resources: list[Resource], collar: tuple[str, ...], expected: tuple[dict[str, str], str | None, list[str]]
) -> None:
    assert summary(standing(*resources, collar=collar)) == expected


ALL = standing(
    service("a", OWN), service("b", FIT), device("c", coded("size-classes", "G1")), plan("d", coded("tasks", "look"))
)


@pytest.mark.parametrize(
    ("resource", "found"),
    [
        ({"resourceType": "ServiceRequest", "code": OWN}, "ServiceRequest/a"),
        ({"resourceType": "ServiceRequest", "code": FIT}, "ServiceRequest/b"),
        ({"resourceType": "ServiceRequest", "code": coded("tasks", "look")}, "CarePlan/d"),
        ({"resourceType": "ServiceRequest", "code": coded("tasks", "other")}, None),
        ({"resourceType": "ServiceRequest"}, None),
        ({"resourceType": "DeviceRequest"}, "DeviceRequest/c"),
        ({"resourceType": "CarePlan"}, "CarePlan/d"),
        ({"resourceType": "Task", "code": OWN}, None),
    ],
)
def test_what_would_be_created_refers_to_what_stands(resource: Resource, found: str | None) -> None:
    assert ALL.reference_of(resource) == found
    assert standing().reference_of(resource) is None


def test_a_plan_of_the_rule_set_covers_every_task_and_an_order_its_own() -> None:
    ordered = standing(service("a", OWN))
    assert [ordered.covers(name) for name in ("call_somebody", "look")] == [True, False]
    assert [ordered.covers_task(name) for name in ("call_somebody", "look")] == [True, False]
    assert [ALL.covers(name) for name in ("call_somebody", "look", "decide_end")] == [True, True, True]
    assert [ALL.covers_task(name) for name in ("call_somebody", "look", "decide_end")] == [True, True, False]


def test_notes_are_held_where_each_stands_word_by_word_in_a_plan() -> None:
    first = plan("a", note=[{"text": "Wear it."}, {"text": ""}, 7])
    found = standing(first, plan("b", note=[{"text": "Wash."}]), service("c", OWN, note=[{"text": "Rest."}]))
    held = [
        found.holds_notes(notes)
        for notes in ([], ["Wear it."], ["Wear it.", "Wash."], ["wear it."], ["Wash.", "Rest."])
    ]
    assert held == [True, True, True, False, False]
    assert standing().holds_notes([]) and not standing().holds_notes(["Wear it."])


def test_every_order_that_stands_is_told_once_the_collar_first_the_plan_last() -> None:
    both = {"coding": [*OWN["coding"], *FIT["coding"]]}
    found = standing(
        plan("d", coded("tasks", "look")),
        service("a", both),
        device("a", coded("size-classes", "G1")),
        service("b", FIT),
    )
    told = [(each["resourceType"], each["id"]) for each in found.orders()]
    assert told == [("DeviceRequest", "a"), ("CarePlan", "d"), ("ServiceRequest", "a")]
    assert standing().orders() == []


@pytest.mark.parametrize(
    ("resources", "words"),
    [
        ([], None),
        ([device("c", coded("size-classes", "G1"))], "the collar"),
        ([service("b", FIT)], "the collar"),
        ([plan("d")], "a care plan"),
        ([service("a", OWN)], "1 order of care"),
        ([service("a", OWN), service("b", coded("tasks", "look"))], "2 orders of care"),
        # One order of two tasks is one order.
        ([service("a", {"coding": [*OWN["coding"], *coded("tasks", "look")["coding"]]})], "1 order of care"),
        ([service("b", FIT), plan("d", OWN)], "the collar and a care plan"),
        ([service("b", FIT), plan("d"), service("a", OWN)], "the collar, a care plan and 1 order of care"),
        ([plan("d"), service("a", OWN), service("b", coded("tasks", "look"))], "a care plan and 2 orders of care"),
    ],
)
def test_what_stands_is_said_in_words(resources: list[Resource], words: str | None) -> None:
    assert standing(*resources).in_words() == words
