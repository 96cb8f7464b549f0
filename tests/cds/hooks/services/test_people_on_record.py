"""Signing a device: the people who fit it are named in the order of the fitting, which may stand in the record."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, answer_of, bundle, order_select, order_sign
from tests.cds.hooks.suggestions.accepting_record import PREFETCHED, Record, offered

Json = dict[str, Any]

KEPT = ("status", "intent", "subject")
DEVICE: Json = {
    "resourceType": "DeviceRequest",
    "id": "device-1",
    **{key: COLLAR_ORDER[key] for key in KEPT},
    "codeCodeableConcept": COLLAR_ORDER["code"],
}
PEOPLE = f"{DEFAULT_BASE}/StructureDefinition/people-needed"
MISSING = "Name a second person in"


def signing(client: TestClient, *drafts: Json, record: list[Json]) -> list[Json]:
    sent = order_sign(*MEASURED, drafts=drafts)
    for kind, key in PREFETCHED.items():
        sent["prefetch"][key] = bundle(*(each for each in record if each["resourceType"] == kind))
    cards: list[Json] = answer_of(client, "collar-order-sign", sent)["cards"]
    return cards


def accepted(client: TestClient, status: str) -> tuple[Json, list[Json]]:
    """The device with the size of the decision, and what was created beside it and stored."""
    record = Record(order_select(*MEASURED, drafts=(DEVICE,)))
    record.accept(offered(answer_of(client, "collar-order-select", order_select(*MEASURED, drafts=(DEVICE,)))))
    stored = [{**each, "status": status} for each in record.resources]
    (device,) = [each for each in stored if each["id"] == "device-1"]
    return {**device, "status": "draft"}, [each for each in stored if each["id"] != "device-1"]


@pytest.mark.parametrize("status", ["draft", "active", "on-hold"])
def test_a_device_is_signed_in_silence_beside_the_fitting_that_was_accepted_with_it(
    client: TestClient, status: str
) -> None:
    device, record = accepted(client, status)
    assert signing(client, device, record=record) == []
    over = [{**each, "status": "revoked"} if "orderDetail" in each else each for each in record]
    assert MISSING in str(signing(client, device, record=over))


@pytest.mark.parametrize(("people", "told"), [(None, True), (1, True), (2, False), (3, False)])
def test_the_fitting_on_record_is_the_order_that_names_the_people(
    client: TestClient, people: int | None, told: bool
) -> None:
    device, record = accepted(client, "active")
    plan = [each for each in record if each["resourceType"] == "CarePlan"]
    named = {} if people is None else {"extension": [{"url": PEOPLE, "valuePositiveInt": people}]}
    cards = signing(client, device, record=[*plan, {**COLLAR_ORDER, "id": "fit", "status": "active", **named}])
    assert (f"{MISSING} the order of the fitting" in str(cards)) is told


def test_a_device_without_any_order_of_the_fitting_gets_one_with_its_people(client: TestClient) -> None:
    device, record = accepted(client, "active")
    plan = [each for each in record if each["resourceType"] == "CarePlan"]
    (card,) = signing(client, device, record=plan)
    assert card["summary"].startswith(f"{MISSING} the order of the fitting")
    created = [action["resource"] for action in card["suggestions"][0]["actions"] if action["type"] == "create"]
    (fit,) = [each for each in created if "fit-rigid-neck-collar" in str(each["code"])]
    assert {"url": PEOPLE, "valuePositiveInt": 2} in fit["extension"]


def test_a_draft_of_the_fitting_names_its_people_itself(client: TestClient) -> None:
    """Another fitting on record is another order."""
    device, record = accepted(client, "active")
    other = {**COLLAR_ORDER, "extension": [{"url": PEOPLE, "valuePositiveInt": 1}]}
    for drafts in ((other,), (device, other)):
        assert f"{MISSING} the order: " in str(signing(client, *drafts, record=record))
