"""A DeviceRequest that names its Device by reference is read by what that Device is called, wherever it was sent along."""

from __future__ import annotations

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, answer_of, bundle, order_select, order_sign

Json = dict[str, Any]

URN = "urn:uuid:5e3f0b0a-9c3d-4f55-8f57-5f4d1c2f0001"
SERVER = "https://ehr.example.org/fhir"
COLLAR: Json = {"resourceType": "Device", "id": "dd", "status": "active", "type": {"text": "Rigid neck collar"}}
SOFT: Json = {**COLLAR, "type": {"text": "Cervical collar, soft"}}
WALKER: Json = {**COLLAR, "type": {"text": "Walker"}}
HOOKS = {"collar-order-select": order_select, "collar-order-sign": order_sign}


def order(reference: str, **more: Any) -> Json:
    kept = {key: COLLAR_ORDER[key] for key in ("status", "intent", "subject")}
    return {"resourceType": "DeviceRequest", "id": "d", **kept, "codeReference": {"reference": reference}, **more}


@pytest.mark.parametrize("hook", HOOKS)
@pytest.mark.parametrize("where", ["drafts", "devices", "a key of its own"])
@pytest.mark.parametrize(
    ("reference", "address"),
    [
        ("Device/dd", None),
        ("Device/dd", URN),
        ("Device/dd/_history/3", None),
        (URN, URN),
        (f"{SERVER}/Device/dd", f"{SERVER}/Device/dd"),
        (f"{SERVER}/Device/dd", None),
    ],
)
def test_the_device_that_an_order_names_says_what_is_ordered(
    client: TestClient, hook: str, where: str, reference: str, address: str | None
) -> None:
    """FHIR R4, DeviceRequest.code[x]: CodeableConcept or Reference(Device)."""

    def asked(device: Json) -> Json:
        sent = HOOKS[hook](*MEASURED, drafts=(order(reference),))
        entry = {"resource": device} | ({} if address is None else {"fullUrl": address})
        if where == "drafts":
            sent["context"]["draftOrders"]["entry"].append(entry)
        else:
            sent["prefetch"]["devices" if where == "devices" else "shelf"] = {**bundle(), "entry": [entry]}
        return sent

    # The order is sent back with its own reference, which may lead to another draft: no check of it as one of ours.
    answer = client.post(f"/cds-services/{hook}", json=asked(COLLAR)).json()
    assert answer["cards"]
    updates = [
        action["resource"]
        for card in answer["cards"]
        for offer in card.get("suggestions", ())
        for action in offer["actions"]
        if action["type"] == "update"
    ]
    assert all(each["codeReference"] == {"reference": reference} and "contained" not in each for each in updates)
    assert hook == "collar-order-sign" or updates
    assert answer_of(client, hook, asked(SOFT)) == {
        "cards": [],
        "extension": {"org.example.nuque.look-alikes": ["DeviceRequest/d: Cervical collar, soft"]},
    }
    assert answer_of(client, hook, asked(WALKER)) == {"cards": []}


@pytest.mark.parametrize("reference", ["Device/other", "Patient/p1", "ServiceRequest/dd", f"{URN[:-1]}2", "dd"])
def test_another_reference_says_nothing_of_a_collar(client: TestClient, reference: str) -> None:
    for hook, make in HOOKS.items():
        sent = make(*MEASURED, drafts=(order(reference),))
        sent["prefetch"]["devices"] = bundle(COLLAR)
        assert answer_of(client, hook, sent) == {"cards": []}


def test_such_an_order_on_record_is_a_collar_that_is_ordered_already(client: TestClient) -> None:
    sent = order_select(*MEASURED)
    sent["prefetch"]["deviceOrders"] = bundle(order("Device/dd", status="active"))
    assert "is another one meant" not in str(answer_of(client, "collar-order-select", sent)["cards"])
    sent["prefetch"]["devices"] = bundle(COLLAR)
    assert "is another one meant" in str(answer_of(client, "collar-order-select", sent)["cards"])
