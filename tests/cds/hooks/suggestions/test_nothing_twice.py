"""Whatever is accepted is not offered again: every suggestion is carried out as a transaction, and the service asked anew."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds.conftest import AT
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    ORDERS,
    bundle,
    changed,
    observation,
    order_select,
    patient_view,
)
from tests.cds.hooks.suggestions.accepting_record import Record, offered
from tests.demo.reading_load import INDEX, call

Json = dict[str, Any]

FILES = [entry["file"] for entry in INDEX]


@pytest.fixture(scope="module")
def hospital() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), clock=lambda: AT)) as client:
        yield client


def ask(client: TestClient, sent: Json) -> Json:
    answer = client.post(f"/cds-services/{SERVICE[sent['hook']]}", json=sent)
    assert answer.status_code == 200, answer.text
    found: Json = answer.json()
    return found


SERVICE = {"order-select": "collar-order-select", "patient-view": "collar-patient-view"}


@pytest.mark.parametrize("file", FILES)
def test_what_was_accepted_is_not_offered_again(hospital: TestClient, file: str) -> None:
    (templates,) = {
        tuple(each["prefetch"].items())
        for each in hospital.get("/cds-services").json()["services"]
        if each["id"] == "collar-order-select"
    }
    sent = call("collar-order-select", file, dict(templates))
    record = Record(sent)
    first = ask(hospital, sent)
    record.accept(offered(first))
    assert record.resources, "there was something to accept, or to ask a decision for"
    again = copy.deepcopy(sent)
    again["prefetch"] |= record.prefetch()
    second = ask(hospital, again)
    assert [action["description"] for action in offered(second) if action["type"] == "create"] == []
    assert [card["indicator"] for card in second["cards"]] == [card["indicator"] for card in first["cards"]]


def test_the_card_says_what_stands(hospital: TestClient) -> None:
    sent = order_select(*MEASURED)
    record = Record(sent)
    first = ask(hospital, sent)
    assert "Ordered already" not in first["cards"][0]["detail"]
    record.accept(offered(first))
    sent["prefetch"] |= record.prefetch()
    assert "Ordered already: the collar, a care plan and" in ask(hospital, sent)["cards"][0]["detail"]


def test_a_draft_of_a_device_beside_an_ordered_fitting_proposes_no_second_fitting(hospital: TestClient) -> None:
    device = {
        "resourceType": "DeviceRequest",
        "id": "device-1",
        "status": "draft",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "codeCodeableConcept": COLLAR_ORDER["code"],
    }
    sent = order_select(*MEASURED, drafts=(device,))
    assert "Create the order: Fit a rigid neck collar" in [each["description"] for each in offered(ask(hospital, sent))]
    sent["prefetch"]["orders"] = bundle({**COLLAR_ORDER, "id": "ordered-1", "status": "active"})
    assert "Create the order: Fit a rigid neck collar" not in [
        each["description"] for each in offered(ask(hospital, sent))
    ]


@pytest.mark.parametrize("status", ["revoked", "completed", "entered-in-error"])
def test_an_order_that_is_over_is_left_alone(hospital: TestClient, status: str) -> None:
    over = order_select(*MEASURED, drafts=({**COLLAR_ORDER, "status": status},))
    assert ask(hospital, over) == {"cards": []}


# --- ending ---------------------------------------------------------------------------------------------------------


def ordered(client: TestClient) -> Record:
    sent = order_select(*MEASURED)
    record = Record(sent)
    record.accept(offered(ask(client, sent)))
    return record


def test_a_cleared_neck_ends_device_orders_and_plan_together(hospital: TestClient) -> None:
    record = ordered(hospital)
    cleared = patient_view(*MEASURED, observation("clearance-recorded", True))
    cleared["prefetch"] |= record.prefetch()
    (card,) = [card for card in ask(hospital, cleared)["cards"] if card["source"]["topic"]["code"] == "ending"]
    assert "stays on until the responsible clinician" in card["detail"]
    (suggestion,) = card["suggestions"]
    assert "isRecommended" not in suggestion
    ends = {(each["resource"]["resourceType"], each["resource"]["status"]) for each in suggestion["actions"]}
    assert ends == {("DeviceRequest", "completed"), ("ServiceRequest", "completed"), ("CarePlan", "completed")}
    record.accept(suggestion["actions"])
    cleared["prefetch"] |= record.prefetch()
    assert [each["description"] for each in offered(ask(hospital, cleared)) if each["type"] == "update"] == []


def test_nothing_is_ended_while_the_neck_is_not_cleared(hospital: TestClient) -> None:
    sent = patient_view(*MEASURED, observation("collar-in-place", True))
    sent["prefetch"] |= ordered(hospital).prefetch()
    topics = [card["source"]["topic"]["code"] for card in ask(hospital, sent)["cards"]]
    assert topics and "ending" not in topics


def test_what_asks_for_the_decision_stands_on(hospital: TestClient) -> None:
    task = "https://nuque.example.org/fhir/CodeSystem/tasks"
    asking = changed(COLLAR_ORDER, "code", {"coding": [{"system": task, "code": "decide-collar-need"}]})
    sent = patient_view(*MEASURED, observation("clearance-recorded", True), observation("collar-in-place", True))
    sent["prefetch"]["orders"] = bundle(
        {**asking, "id": "asking", "status": "active"}, {**COLLAR_ORDER, "id": "fitting", "status": "active"}
    )
    ends = [each["resource"]["id"] for each in offered(ask(hospital, sent)) if each["type"] == "update"]
    assert ends == ["fitting"]


def test_what_carries_an_unknown_modifier_is_to_be_ended_by_hand(hospital: TestClient) -> None:
    """FHIR R4, Extensibility: it is not sent back as if it were understood, and the card names it."""
    fit = {"coding": [{"system": ORDERS, "code": "fit-rigid-neck-collar"}], "text": "Fit"}
    order = {**COLLAR_ORDER, "id": "o9", "status": "active", "code": fit, "implicitRules": "http://x.example/r"}
    cleared = patient_view(*MEASURED, observation("clearance-recorded", True), observation("collar-in-place", True))
    cleared["prefetch"]["orders"] = bundle(order)
    answer = ask(hospital, cleared)
    (card,) = [card for card in answer["cards"] if card["source"]["topic"]["code"] == "ending"]
    assert "update" not in [action["type"] for action in offered(answer)]
    assert "To be ended by hand" in card["detail"] and "ServiceRequest/o9: it carries implicitRules" in card["detail"]
