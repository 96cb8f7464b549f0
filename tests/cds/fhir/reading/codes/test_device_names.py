"""A worn collar that no code names: told by its words as an order is, else listed, and never dropped in silence.

The names are invented; those in other languages are from memory.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.cds.fhir.reading.sent import Resource, facts, of_patient, reading, reasons

PLACES = ("display", "type", "name", "contained")
LOOK = "look whether one is on"


def use(named: str, place: str, **fields: Any) -> list[Resource]:
    """A device in use whose name stands in one place alone, with the Device where it is sent along."""
    device: Resource = {"resourceType": "Device", "id": "d"}
    if place == "name":
        device["deviceName"] = [{"name": named, "type": "user-friendly-name"}]
    else:
        device["type"] = {"text": named}
    said = {"display": {"display": named}, "contained": {"reference": "#d"}}.get(place, {"reference": "Device/d"})
    held = {"contained": [device]} if place == "contained" else {}
    statement = of_patient("DeviceUseStatement", "u", **{"status": "active", "device": said, **held, **fields})
    return [statement] if place in ("display", "contained") else [statement, device]


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("named", ["Cervical collar", "C-collar", "Collar, cervical, rigid", "Hard neck brace"])
def test_a_collar_is_told_by_its_words_wherever_they_stand(named: str, place: str) -> None:
    assert facts(*use(named, place)) == {"collar_in_place": True}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "named",
    [
        "Soft collar",
        "Cervical collar, loosened",
        "cerv. coll.",
        "Halskrause",
        "HWS-Orthese",
        "Zervikalstütze",
        "collier cervical rigide",
        "Minerve",
        "collarín cervical",
        "collare cervicale",
        "halskraag",
        "kołnierz szyjny",
        "颈托",
    ],
)
def test_a_name_that_may_be_one_is_listed(named: str, place: str) -> None:
    result = reading(*use(named, place))
    assert "collar_in_place" not in {fact.name for fact in result.facts}
    (listed,) = result.not_used
    assert (listed.fact, listed.kind, listed.reference) == ("collar_in_place", "code", "DeviceUseStatement/u")
    assert named in str(listed.value)
    assert LOOK in listed.reason


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "named",
    ["Crutches", "Walker", "Shoulder sling with collar", "Knee brace", "Gehstock", "Collier de perles", "Wrist splint"],
)
def test_another_device_is_not_listed(named: str, place: str) -> None:
    """Near misses: a necklace, a sling with a collar, a brace of another joint."""
    assert facts(*use(named, place)) == {}
    assert reasons(*use(named, place)) == []


def test_another_device_of_the_neck_is_listed_as_what_it_is() -> None:
    (listed,) = reading(*use("Tracheostomy tube", "display")).not_used
    assert (listed.fact, listed.value) == (None, "Tracheostomy tube")
    assert "read it yourself" in listed.reason


@pytest.mark.parametrize("field", [{"bodySite": {"text": "neck"}}, {"reasonCode": [{"text": "fracture of the neck"}]}])
def test_a_brace_is_listed_where_it_is_worn_on_the_neck_or_for_it(field: dict[str, Any]) -> None:
    assert any(LOOK in reason for reason in reasons(*use("Brace", "type", **field)))
    assert reasons(*use("Walker", "type", **field)) == []
    assert reasons(*use("Brace", "type")) == []


@pytest.mark.parametrize("device", [{"reference": "Device/elsewhere"}, {"identifier": {"value": "7"}}, {}])
def test_a_device_that_nobody_named_is_listed(device: dict[str, Any]) -> None:
    statement = of_patient("DeviceUseStatement", "u", status="active", device=device)
    (listed,) = reading(statement).not_used
    assert (listed.fact, listed.kind) == ("collar_in_place", "incomplete")
    assert reasons({**statement, "status": "completed"}) == []


@pytest.mark.parametrize(("count", "listed"), [(20, 0), (30, 1)])
def test_a_device_with_more_names_than_are_read_is_listed(count: int, listed: int) -> None:
    statement, device = use("Walker", "name")
    device["deviceName"] = [{"name": f"Walker {number}"} for number in range(count)]
    assert len(reasons(statement, device)) == listed


def test_a_device_with_nothing_but_an_unknown_code_is_listed() -> None:
    statement, device = use("x", "type")
    device["type"] = {"coding": [{"system": "http://hospital.example/codes", "code": "4711"}]}
    (listed,) = reading(statement, device).not_used
    assert (listed.fact, listed.value) == ("collar_in_place", "4711")
    device["type"]["coding"][0]["display"] = "Walker"
    assert reasons(statement, device) == []


@pytest.mark.parametrize("named", ["Cervical collar", "Halskrause"])
def test_a_collar_that_is_the_patients_and_said_to_be_worn_by_nothing_is_listed(named: str) -> None:
    device = {"resourceType": "Device", "id": "d", "patient": {"reference": "Patient/p"}, "type": {"text": named}}
    device["patient"] = of_patient("Observation", "o")["subject"]
    (listed,) = reading(of_patient("DeviceUseStatement", "u", status="stopped"), device).not_used
    assert (listed.fact, listed.value, listed.reference) == ("collar_in_place", named, "Device/d")
    for other in ({"status": "inactive"}, {"patient": {"reference": "Patient/other"}}, {"type": {"text": "Walker"}}):
        assert reasons(of_patient("DeviceUseStatement", "u", status="stopped"), {**device, **other}) == []


def test_a_collar_that_a_statement_is_about_is_not_listed_beside_it() -> None:
    statement, device = use("Cervical collar", "type")
    device["patient"] = statement["subject"]
    assert facts(statement, device) == {"collar_in_place": True}
    assert reasons(statement, device) == []


@pytest.mark.parametrize("kind", ["ServiceRequest", "DeviceRequest"])
@pytest.mark.parametrize("named", ["Halskrause anlegen", "pose d'une minerve", "cerv coll", "HWS-Orthese"])
def test_an_order_in_another_language_is_listed(named: str, kind: str) -> None:
    code = {"ServiceRequest": "code", "DeviceRequest": "codeCodeableConcept"}[kind]
    listed = reasons(of_patient(kind, "o", status="draft", intent="order", **{code: {"text": named}}))
    assert len(listed) == 1 and "may be about a neck collar" in listed[0]
