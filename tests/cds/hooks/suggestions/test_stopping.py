"""Ending what was ordered for a collar. The states are those of FHIR's request-status (R4, 4.0.1)."""

from __future__ import annotations

from typing import Any

import pytest

from cds.hooks.suggestions.stopping import ended, is_cleared, to_be_ordered, to_end_by_hand
from cds.protocol.request import Resource
from tests.cds.hooks.suggestions.small_collar import coded, decided, ruleset
from tests.cds.hooks.suggestions.test_existing_orders import FIT, MODIFIED, RULED, device, plan, service, standing

CLEARED = decided(clearance_recorded=True, wet=True, lying=True)
OWN, ASKING = coded("tasks", "call-somebody", "Call"), coded("tasks", "decide-end", "Decide")


@pytest.mark.parametrize(
    ("facts", "cleared"),
    [
        ({}, False),
        ({"clearance_recorded": True}, True),
        ({"clearance_recorded": False}, False),
        # Something else leads.
        ({"penetrating": True}, False),
        ({"penetrating": True, "clearance_recorded": True}, True),
    ],
)
def test_a_neck_is_cleared_where_a_caution_that_reads_the_clearance_leads(facts: dict[str, Any], cleared: bool) -> None:
    assert is_cleared(decided(**facts), ruleset()) is cleared


def ends(*resources: Resource) -> list[tuple[str, str, str]]:
    actions = ended(standing(*resources), CLEARED, ruleset())
    assert all(action.type == "update" and action.resource is not None for action in actions)
    return [
        (action.description, action.resource["id"], action.resource["status"])
        for action in actions
        if action.resource is not None
    ]


@pytest.mark.parametrize(
    ("resources", "expected"),
    [
        ([], []),
        (
            [
                device("d", {**coded("size-classes", "G1"), "text": "A collar"}),
                service("s", OWN),
                plan("p", title="A plan"),
            ],
            [
                ("End the device: A collar", "d", "completed"),
                ("End the order: Call", "s", "completed"),
                ("End the care plan: A plan", "p", "completed"),
            ],
        ),
        # A draft was never in force.
        ([service("s", OWN, status="draft")], [("End the order: Call", "s", "revoked")]),
        ([service("s", OWN, status="on-hold")], [("End the order: Call", "s", "completed")]),
        # What asks whether the collar should end stands on, unless it is but a line of a plan.
        ([service("s", ASKING), service("t", OWN)], [("End the order: Call", "t", "completed")]),
        ([plan("p", ASKING)], [("End the care plan", "p", "completed")]),
        ([service("s", coded("tasks", "look"))], [("End the order", "s", "completed")]),
        ([service("s", {**OWN, "text": 7})], [("End the order", "s", "completed")]),
        # As shown elsewhere: one line, nothing that cannot be seen (Unicode TR 36, bidirectional text spoofing).
        ([service("s", {**OWN, "text": "\u202eA\u200b \n\tb"})], [("End the order: A b", "s", "completed")]),
        ([plan("p", title="\u2066Care\r\nplan")], [("End the care plan: Care plan", "p", "completed")]),
        ([service("s", {**OWN, "text": "\u200b"})], [("End the order", "s", "completed")]),
        ([service("s", {**OWN, "text": ""})], [("End the order", "s", "completed")]),
        ([{**device("d", coded("size-classes", "G1", "x")), "code": "x"}], [("End the device", "d", "completed")]),
    ],
)
def test_all_that_stands_is_ended_together(resources: list[Resource], expected: list[tuple[str, str, str]]) -> None:
    assert ends(*resources) == expected


def test_an_order_that_is_ended_keeps_all_else() -> None:
    order = service("s", OWN, note=[{"text": "kept"}])
    (action,) = ended(standing(order), CLEARED, ruleset())
    assert action.resource == {**order, "status": "completed"}
    assert order["status"] == "active"


@pytest.mark.parametrize(
    ("more", "why"),
    [
        (MODIFIED, "it carries modifierExtension http://x.example/only-if-cleared, which may change its meaning"),
        (RULED, "it carries implicitRules http://x.example/r, which may change its meaning"),
        ({"text": {"status": "additional", "div": "<div/>"}}, "its narrative may say more than its data"),
    ],
)
def test_what_cannot_be_sent_back_changed_is_named_to_be_ended_by_hand(more: dict[str, Any], why: str) -> None:
    """FHIR R4: Extensibility (modifier extensions), Resource.implicitRules, NarrativeStatus."""
    found = standing(
        device("d", coded("size-classes", "G1"), **more),
        service("s", OWN, **more),
        plan("p", **more),
        service("t", FIT),
        service("asks", ASKING, **RULED),
    )
    assert [action.resource["id"] for action in ended(found, CLEARED, ruleset()) if action.resource] == ["t"]
    assert set(to_end_by_hand(found, CLEARED, ruleset())) >= {
        f"{kind}: {why}" for kind in ("DeviceRequest/d", "ServiceRequest/s", "CarePlan/p")
    }
    assert to_end_by_hand(standing(service("t", FIT)), CLEARED, ruleset()) == []


@pytest.mark.parametrize(
    ("status", "stays"), [("generated", False), ("extensions", False), ("empty", True), (None, True)]
)
def test_a_narrative_written_from_the_data_goes_with_the_change(status: str | None, stays: bool) -> None:
    """FHIR R4, Narrative: a generated one says what the data say, so the old one would still say ``active``."""
    narrative = {"status": status, "div": "<div xmlns='http://www.w3.org/1999/xhtml'>active</div>"}
    orders = [device("d", coded("size-classes", "G1")), service("s", OWN), plan("p")]
    for order in orders:
        (action,) = ended(standing({**order, "text": narrative}), CLEARED, ruleset())
        assert action.resource == {**order, **({"text": narrative} if stays else {}), "status": "completed"}


def test_once_the_neck_is_cleared_only_what_asks_whether_to_end_may_be_ordered() -> None:
    assert len(CLEARED.tasks) == 4 and CLEARED.leaflets and CLEARED.instructions
    left = to_be_ordered(CLEARED, ruleset())
    assert [task.task for task in left.tasks] == ["decide_end"]
    assert (left.instructions, left.leaflets) == ((), ())
    assert (
        left.model_copy(update={name: getattr(CLEARED, name) for name in ("tasks", "instructions", "leaflets")})
        == CLEARED
    )
    before = decided(wet=True, lying=True)
    assert to_be_ordered(before, ruleset()) is before
