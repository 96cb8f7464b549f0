"""A halo, as a record holds one: a device in use, or a procedure. No collar is sized over it, and an emergency in it is said.

A halo is worn for an unstable neck (practice-halo; common practice, no source). Elements: FHIR R4.
"""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import (
    MEASURED,
    answer_of,
    bundle,
    changed,
    observation,
    order_select,
    order_sign,
    patient_view,
)

USE = {
    "resourceType": "DeviceUseStatement",
    "id": "use-1",
    "status": "active",
    "subject": {"reference": "Patient/p1"},
    "device": {"display": "Halo vest"},
}
ON_HOLD = USE | {"status": "on-hold"}
PUT_ON = {
    "resourceType": "Procedure",
    "id": "put-on",
    "status": "completed",
    "subject": {"reference": "Patient/p1"},
    "code": {"text": "Application of halo vest"},
    "performedDateTime": "2026-01-30T14:00:00Z",
}
SIGN = observation("new-neurological-sign", True)


def cards(client: TestClient, service: str, call: dict[str, Any], key: str, record: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = answer_of(client, service, changed(call, f"prefetch.{key}", bundle(record)))["cards"]
    return found


@pytest.mark.parametrize(("key", "record"), [("deviceUses", USE), ("procedures", PUT_ON)])
def test_no_collar_is_sized_over_a_halo_and_an_emergency_in_it_is_said(
    client: TestClient, key: str, record: Any
) -> None:
    for service, call in (("collar-order-select", order_select), ("collar-order-sign", order_sign)):
        first, *_ = cards(client, service, call(*MEASURED), key, record)
        assert (first["indicator"], first["summary"][:30]) == ("critical", "Do not size: A halo holds the ")
    first, *_ = cards(client, "collar-patient-view", patient_view(*MEASURED, SIGN), key, record)
    assert (first["indicator"], first["summary"][:12]) == ("critical", "New weakness")
    stridor = patient_view(*MEASURED, observation("airway-threat", True))
    assert cards(client, "collar-patient-view", stridor, key, record)[0]["summary"].startswith("Airway first: ")
    assert cards(client, "collar-patient-view", patient_view(*MEASURED), key, record) == []


def test_a_halo_that_may_be_on_is_looked_for_before_a_collar(client: TestClient) -> None:
    (sized, *_) = cards(client, "collar-order-select", order_select(*MEASURED), "deviceUses", ON_HOLD)
    assert sized["indicator"] == "warning"
    assert sized["summary"].startswith("Look whether a halo holds the head before any collar is sized: ")
    assert not any(offer.get("isRecommended") for offer in sized["suggestions"])
    (signed, *_) = cards(client, "collar-order-sign", order_sign(*MEASURED), "deviceUses", ON_HOLD)
    assert "Look whether a halo holds the head before any collar goes on: " in signed["summary"]
    first, *_ = cards(client, "collar-patient-view", patient_view(*MEASURED), "deviceUses", ON_HOLD)
    assert first["summary"].startswith("Look whether a halo is on: ")


def test_a_halo_that_came_off_is_none(client: TestClient) -> None:
    stopped = USE | {"status": "stopped", "recordedOn": "2026-01-31T07:00:00Z"}
    first, *_ = cards(client, "collar-order-select", order_select(*MEASURED), "deviceUses", stopped)
    assert first["summary"].startswith("Neck collar adult ")
