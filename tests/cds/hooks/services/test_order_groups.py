"""A group of orders names its orders in each way that R4 has: they are selected with it, and checked at signing."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, OTHER_ORDER, answer_of, order_select, order_sign

Json = dict[str, Any]

URN = "urn:uuid:5e3f0b0a-9c3d-4f55-8f57-5f4d1c2f0001"
SERVER = "https://ehr.example.org/fhir"
SIZE = {"coding": [{"system": f"{DEFAULT_BASE}/CodeSystem/size-classes", "code": "adult H5 G2"}]}


def group(kind: str, reference: str, **more: Any) -> Json:
    named = {"reference": reference}
    inner = (
        {"activity": [{"reference": named}]} if kind == "CarePlan" else {"action": [{"action": [{"resource": named}]}]}
    )
    kept = {key: COLLAR_ORDER[key] for key in ("status", "intent", "subject")}
    return {"resourceType": kind, "id": "set-1", **kept, **inner, **more}


def selected(client: TestClient, kind: str, reference: str, *entries: Json, **more: Any) -> list[Json]:
    """The cards where the group alone is selected."""
    sent = order_select(*MEASURED, drafts=(group(kind, reference),), **more)
    sent["context"]["draftOrders"]["entry"] += entries
    cards: list[Json] = answer_of(client, "collar-order-select", sent)["cards"]
    return cards


@pytest.mark.parametrize("kind", ["RequestGroup", "CarePlan"])
@pytest.mark.parametrize(
    ("address", "reference", "server", "found"),
    [
        (URN, URN, None, True),
        (f"{SERVER}/ServiceRequest/order-1", f"{SERVER}/ServiceRequest/order-1", None, True),
        (f"{SERVER}/ServiceRequest/order-1", f"{SERVER}/ServiceRequest/order-1/_history/2", None, True),
        (f"{SERVER}/ServiceRequest/order-1", "ServiceRequest/order-1", None, True),
        (URN, "ServiceRequest/order-1", None, True),
        (None, "ServiceRequest/order-1", None, True),
        (None, "ServiceRequest/order-1/_history/2", None, True),
        (None, f"{SERVER}/ServiceRequest/order-1", SERVER, True),
        (None, f"{SERVER}/ServiceRequest/order-1", None, True),
        (None, "https://EHR.example.org:443/fhir/ServiceRequest/order-1", SERVER, True),
        (7, f"{SERVER}/ServiceRequest/order-1", f"{SERVER}/", True),
        # Another address, server, type or id.
        (URN, f"{URN[:-1]}2", None, False),
        (None, "https://other.example/fhir/ServiceRequest/order-1", SERVER, False),
        (f"{SERVER}/ServiceRequest/order-1", "https://other.example/fhir/ServiceRequest/order-1", None, False),
        (None, "DeviceRequest/order-1", None, False),
        (None, "order-1", None, False),
        (None, "#order-1", None, False),
    ],
)
def test_the_order_that_a_group_names_is_selected_with_it(
    client: TestClient, kind: str, address: Any, reference: str, server: str | None, found: bool
) -> None:
    """FHIR R4, bundle.html: "Resolving references in Bundles"."""
    entry = {"resource": COLLAR_ORDER} | ({} if address is None else {"fullUrl": address})
    more = {} if server is None else {"fhirServer": server}
    cards = selected(client, kind, reference, entry, {"fullUrl": f"{URN[:-1]}9", "resource": OTHER_ORDER}, **more)
    assert bool(cards) is found
    if found:
        updates = [each for each in cards[0]["suggestions"][0]["actions"] if each["type"] == "update"]
        assert [each["resource"]["id"] for each in updates] == ["order-1"]


def test_orders_without_an_id_are_selected_by_the_address_of_their_entries(client: TestClient) -> None:
    """As ``nuque orders`` writes them."""
    first, second = ({key: order[key] for key in order if key != "id"} for order in (OTHER_ORDER, COLLAR_ORDER))
    named = [{"resource": {"reference": f"{URN[:-1]}{number}"}} for number in (1, 2)]
    sent = order_select(*MEASURED, drafts=(group("RequestGroup", URN, action=named),))
    sent["context"]["draftOrders"]["entry"] += [
        {"fullUrl": f"{URN[:-1]}1", "resource": first},
        {"fullUrl": f"{URN[:-1]}2", "resource": second},
    ]
    assert "it has no id" in answer_of(client, "collar-order-select", sent)["cards"][0]["detail"]


@pytest.mark.parametrize("group_kind", ["RequestGroup", "CarePlan"])
@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest"])
def test_an_order_that_a_group_contains_is_read_and_changed_by_hand(
    client: TestClient, group_kind: str, kind: str
) -> None:
    """FHIR R4, references: a contained resource has no identity of its own, so nothing updates it."""
    code = {"code": COLLAR_ORDER["code"], "orderDetail": [SIZE]}
    if kind == "DeviceRequest":
        code = {"codeCodeableConcept": {**SIZE, "text": "Rigid neck collar"}}
    held = {"resourceType": kind, "id": "c", "status": "draft", "intent": "option", **code}
    held["subject"] = COLLAR_ORDER["subject"]
    holder = group(group_kind, "#c", contained=[{"resourceType": "Practitioner", "id": "x"}, held])
    for hook, make in (("collar-order-select", order_select), ("collar-order-sign", order_sign)):
        cards = answer_of(client, hook, make(*MEASURED, drafts=(holder,)))["cards"]
        told = str([(card["summary"], card["detail"]) for card in cards])
        assert "This order cannot be changed from here: it stands within another order. By hand, change it to:" in told
        assert hook == "collar-order-select" or "Change height H5 to H3, as measured." in told
        actions = [a for card in cards for offer in card.get("suggestions", ()) for a in offer["actions"]]
        assert {action["type"] for action in actions} <= {"create"}
        assert "DeviceRequest" not in {action["resource"]["resourceType"] for action in actions}
    unnamed = group(group_kind, "#d", contained=[held])
    assert answer_of(client, "collar-order-sign", order_sign(*MEASURED, drafts=(unnamed,)))["cards"] == []


def test_an_order_of_another_patient_within_a_group_is_refused(client: TestClient) -> None:
    held = {**COLLAR_ORDER, "id": "c", "subject": {"reference": "Patient/p2"}}
    sent = order_sign(*MEASURED, drafts=(group("RequestGroup", "#c", contained=[held]),))
    answer = client.post("/cds-services/collar-order-sign", json=sent)
    assert answer.status_code == 400
    assert "(contained) #c.subject is not the patient of context.patientId" in answer.text
