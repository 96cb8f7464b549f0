"""The actions of a suggestion: what is created, corrected, or pointed at where it stands already."""

from __future__ import annotations

from typing import Any

import pytest

from cds.fhir.writing.identifiers import urn
from cds.hooks.suggestions.order_set import care_orders, corrections, whole_order_set
from cds.hooks.suggestions.order_size import with_size
from cds.protocol.request import Resource
from cds.protocol.response import Action
from tests.cds.hooks.suggestions.small_collar import CONTEXT, coded, decided, ruleset
from tests.cds.hooks.suggestions.test_existing_orders import FIT, MODIFIED, RULED, device, plan, service, standing

LYING = decided(girth_mm=500, lying=True, wet=True)
NOTHING = standing()

COLLAR, DEVICE = "Create the order: Fit a rigid neck collar", "Create the device: Rigid neck collar, G2 head up"
CALL, PLAN = "Create the order: Call", "Create the care plan: Care in a rigid neck collar"
OWN = coded("tasks", "call-somebody")
SIZED = coded("size-classes", "G1")


def name(part: str) -> str:
    return urn(LYING, CONTEXT, part)


FIT_NAME, DEVICE_NAME, CALL_NAME = (
    name(part) for part in ("fit-rigid-neck-collar", "rigid-neck-collar", "call_somebody")
)
LOOK = ("Look", ["small.wet"])


def draft(kind: str, given: str | None, **more: Any) -> Resource:
    return {"resourceType": kind, "status": "draft", **({} if given is None else {"id": given}), **more}


def told(actions: tuple[Action, ...]) -> list[str]:
    """What the actions say of themselves; each is what it says."""
    assert all(
        str(action.description).startswith((action.type == "create" and "Create") or "Change") for action in actions
    )
    return [str(action.description) for action in actions]


def planned(actions: tuple[Action, ...]) -> list[tuple[str, list[str]]]:
    """Of each activity of the plan that is created last: what it refers to, or what it is, and the rules that it names."""
    plan = actions[-1].resource
    assert plan is not None and plan["resourceType"] == "CarePlan"
    return [
        (
            each["reference"]["reference"] if "reference" in each else each["detail"]["code"]["text"],
            [rule["valueCode"] for rule in each.get("extension", ())],
        )
        for each in plan["activity"]
    ]


FIT_DRAFT, DEVICE_DRAFT = draft("ServiceRequest", "s1", code=FIT), draft("DeviceRequest", "d1")
WIDTH_AND_POSE = ["small.wide", "small.lying"]


@pytest.mark.parametrize(
    ("drafts", "standing_orders", "actions", "activities"),
    [
        ([], [], [COLLAR, CALL, DEVICE, PLAN], [(FIT_NAME, []), (DEVICE_NAME, []), (CALL_NAME, []), LOOK]),
        # A draft takes the place of ours. Rules of the size go with the device, where the fitting has others.
        (
            [FIT_DRAFT],
            [],
            ["Change the order", CALL, DEVICE, PLAN],
            [("ServiceRequest/s1", ["small.fit"]), (DEVICE_NAME, []), (CALL_NAME, []), LOOK],
        ),
        (
            [DEVICE_DRAFT, draft("DeviceRequest", "d2"), draft("ServiceRequest", "s1", code={"text": "Collar: wide"})],
            [],
            [
                "Change the device: Rigid neck collar, G2 head up",
                "Change the device: Rigid neck collar, G2 head up",
                "Change the order: Collar: wide",
                CALL,
                PLAN,
            ],
            [("ServiceRequest/s1", ["small.fit"]), ("DeviceRequest/d1", WIDTH_AND_POSE), (CALL_NAME, []), LOOK],
        ),
        # What is no such order stands for none of ours.
        (
            [draft("MedicationRequest", "m1")],
            [],
            ["Change the resource: Fit a rigid neck collar", COLLAR, CALL, DEVICE, PLAN],
            [(FIT_NAME, []), (DEVICE_NAME, []), (CALL_NAME, []), LOOK],
        ),
        # What stands in the record is pointed at, before a draft.
        (
            [],
            [service("x", OWN)],
            [COLLAR, DEVICE, PLAN],
            [(FIT_NAME, []), (DEVICE_NAME, []), ("ServiceRequest/x", ["small.lying"]), LOOK],
        ),
        (
            [FIT_DRAFT],
            [service("x", FIT), device("y", SIZED)],
            ["Change the order", CALL, PLAN],
            [
                ("ServiceRequest/x", ["small.fit"]),
                ("DeviceRequest/y", WIDTH_AND_POSE),
                (CALL_NAME, []),
                LOOK,
            ],
        ),
    ],
)
def test_what_stands_or_is_drafted_is_not_created_and_the_plan_points_at_it(
    drafts: list[Resource], standing_orders: list[Resource], actions: list[str], activities: list[Any]
) -> None:
    made = whole_order_set(LYING, CONTEXT, ruleset(), drafts, standing(*standing_orders))
    assert told(made) == actions
    assert planned(made) == activities


@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest"])
@pytest.mark.parametrize("given", [None, "", "a/../b <x>", "a_b", "a" * 65, 7, ["a"], {"id": "a"}])
def test_beside_an_order_without_a_usable_id_no_collar_is_ordered_again(kind: str, given: Any) -> None:
    """CDS Hooks 2.0, Action: an update carries the resource with its id. FHIR R4, datatypes: id."""
    order = {**draft(kind, None), **({} if given is None else {"id": given})}
    made = whole_order_set(LYING, CONTEXT, ruleset(), [order], NOTHING)
    assert told(made) == [CALL, PLAN]
    assert planned(made) == [(CALL_NAME, []), LOOK]


@pytest.mark.parametrize(
    "more", [MODIFIED, RULED, {"parameter": [MODIFIED]}, {"text": {"status": "additional", "div": "<div/>"}}]
)
def test_an_order_that_is_not_understood_is_not_sent_back_and_no_collar_ordered_beside_it(more: dict[str, Any]) -> None:
    """FHIR R4, Extensibility: what carries an unknown modifier must not be processed; NarrativeStatus ``additional``."""
    for order in (FIT_DRAFT, DEVICE_DRAFT):
        made = whole_order_set(LYING, CONTEXT, ruleset(), [{**order, **more}], NOTHING)
        assert told(made) == [CALL, PLAN]
        assert planned(made) == [(CALL_NAME, []), LOOK]


def test_a_corrected_order_has_no_narrative_of_its_old_size() -> None:
    """FHIR R4, Narrative: a generated one says what the data say; a resource may have none."""
    generated = {"status": "generated", "div": "<div xmlns='http://www.w3.org/1999/xhtml'>G1</div>"}
    for order in (FIT_DRAFT, DEVICE_DRAFT):
        (action,) = corrections([{**order, "text": generated}], LYING, CONTEXT, ruleset())
        assert action.resource == with_size(order, LYING, CONTEXT, ruleset())
        assert corrections([{**action.resource, "text": generated}], LYING, CONTEXT, ruleset()) == ()


def test_what_can_be_changed_is_changed_beside_what_cannot() -> None:
    made = whole_order_set(LYING, CONTEXT, ruleset(), [FIT_DRAFT, draft("DeviceRequest", None)], NOTHING)
    assert told(made) == ["Change the order", CALL, PLAN]
    assert planned(made) == [("ServiceRequest/s1", ["small.fit"]), (CALL_NAME, []), LOOK]
    longest = draft("ServiceRequest", "a-.Z" * 16, code=FIT)
    assert told(whole_order_set(LYING, CONTEXT, ruleset(), [longest], NOTHING))[:2] == ["Change the order", CALL]


def test_where_a_plan_stands_no_other_is_created() -> None:
    assert told(whole_order_set(LYING, CONTEXT, ruleset(), [], standing(plan("d")))) == [COLLAR, CALL, DEVICE]
    assert told(whole_order_set(LYING, CONTEXT, ruleset(), [], standing(plan("d", OWN)))) == [COLLAR, DEVICE]


def test_without_a_size_a_draft_is_neither_changed_nor_taken_for_the_decision_that_is_asked_for() -> None:
    withheld = decided(missing=True, lying=True)
    review = "Create the order: Clinician to decide on the collar"
    assert told(whole_order_set(withheld, CONTEXT, ruleset(), [FIT_DRAFT, DEVICE_DRAFT], NOTHING)) == [
        review,
        CALL,
        PLAN,
    ]
    assert corrections([FIT_DRAFT], withheld, CONTEXT, ruleset()) == ()


def test_a_correction_is_the_draft_with_the_size_and_is_left_out_where_it_says_it_all() -> None:
    (changed,) = corrections([FIT_DRAFT, draft("DeviceRequest", None)], LYING, CONTEXT, ruleset())
    assert (changed.type, changed.description) == ("update", "Change the order")
    assert changed.resource == with_size(FIT_DRAFT, LYING, CONTEXT, ruleset())
    assert corrections([changed.resource], LYING, CONTEXT, ruleset()) == ()


@pytest.mark.parametrize(
    ("standing_orders", "facts", "actions", "activities"),
    [
        ([], {"wet": True, "lying": True}, [CALL, PLAN], [(CALL_NAME, []), LOOK]),
        ([service("x", OWN)], {"wet": True, "lying": True}, [PLAN], [LOOK]),
        ([service("x", OWN), service("y", coded("tasks", "look"))], {"wet": True, "lying": True}, [PLAN], None),
        ([], {"lying": True}, [CALL], None),
        ([], {}, [], None),
    ],
)
def test_care_is_offered_without_the_collar_where_nobody_ordered_it(
    standing_orders: list[Resource], facts: dict[str, Any], actions: list[str], activities: list[Any] | None
) -> None:
    decision = decided(girth_mm=500, **facts)
    made = care_orders(decision, CONTEXT, standing(*standing_orders))
    assert told(made) == actions
    if activities is not None:
        assert planned(made) == activities


NOTE = "# Words (en)\n\n*invented*\n\n## Wear\n\n- Wear it."


@pytest.mark.parametrize(("noted", "created"), [("Wear it.", [PLAN]), (NOTE, [])])
def test_instructions_that_stand_in_no_plan_are_planned_with_no_task(noted: str, created: list[str]) -> None:
    stands = standing(plan("d", OWN, coded("tasks", "look"), note=[{"text": noted}]))
    made = care_orders(LYING, CONTEXT, stands)
    assert told(made) == created
    assert [(each.resource or {}).get("activity") for each in made] == [None] * len(created)
    assert [[note["text"] for note in (each.resource or {})["note"]] for each in made] == [[NOTE]] * len(created)


@pytest.mark.parametrize(
    ("resource", "words"),
    [
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": {"text": "Collar: wide"}}, "device: Collar"),
        (
            {"resourceType": "DeviceRequest", "codeCodeableConcept": {"text": "Collar: if adult: wide"}},
            "device: Collar",
        ),
        ({"resourceType": "DeviceRequest", "codeCodeableConcept": "Collar"}, "device"),
        ({"resourceType": "ServiceRequest", "code": {"text": ""}}, "order"),
        ({"resourceType": "ServiceRequest", "code": {"text": 7}}, "order"),
        ({"resourceType": "ServiceRequest", "code": {"text": "A: b"}}, "order: A: b"),
        # As shown elsewhere: one line, nothing that cannot be seen (Unicode TR 36, bidirectional text spoofing).
        ({"resourceType": "ServiceRequest", "code": {"text": "\u202eA\u200b \n\tb\u2066"}}, "order: A b"),
        ({"resourceType": "ServiceRequest", "code": {"text": "\u202e\n"}}, "order"),
        ({"resourceType": "ServiceRequest", "code": {"text": "x" * 200}}, f"order: {'x' * 79}…"),
        ({"resourceType": "NutritionOrder", "code": {"text": "x"}}, "resource: x"),
    ],
)
def test_a_change_is_described_by_what_the_order_says_of_itself(resource: Resource, words: str) -> None:
    sized = {**resource, "id": "1"}
    if resource["resourceType"] == "DeviceRequest":
        sized["codeReference"] = {"reference": "Device/1"}
    assert told(corrections([sized], LYING, CONTEXT, ruleset())) == [f"Change the {words}"]
