"""What the record holds, could not be used, and may be a danger: every service says what a person has to look up."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    answer_of,
    bundle,
    changed,
    observation,
    order_select,
    patient_view,
)

WORN = observation("collar-in-place", True)
TIMED_OUT = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]}
LOOK = "Not used here, read it yourself: "


def words(answer: dict[str, Any]) -> str:
    return " ".join(card["summary"] + " " + card["detail"].replace("\\", "") for card in answer["cards"])


STRIDOR: dict[str, Any] = {
    "resourceType": "Condition",
    "id": "stridor",
    "subject": {"reference": "Patient/p1"},
    "code": {"coding": [{"system": "http://snomed.info/sct", "code": "70407001"}], "text": "Stridor"},
    "recordedDate": "2026-01-31T08:00:00Z",
}
UNSURE = {
    "not signed yet": observation("airway-threat", True, status="preliminary"),
    "an answer that is not understood": observation("airway-threat", True, valueString="Presente"),
    "without a time": observation("airway-threat", True, effectiveDateTime=None),
    "from a clock that runs ahead": observation("airway-threat", True, effectiveDateTime="2026-01-31T23:00:00Z"),
    "of a state that its source does not know": observation("airway-threat", True, status="unknown"),
    "of a state in another case": observation("airway-threat", True, status="Final"),
    "of a state in another form": observation("airway-threat", True, status=["final"]),
    "of nobody": observation("airway-threat", True, subject=None),
    "a diagnosis with a state as text (STU3)": {
        **STRIDOR,
        "clinicalStatus": "active",
        "verificationStatus": "confirmed",
    },
    "a diagnosis with a state in words": {**STRIDOR, "clinicalStatus": {"text": "active"}},
    "with a modifier": observation("airway-threat", True, modifierExtension=[{"url": "https://example.org/changed"}]),
}


def without_none(resource: dict[str, Any]) -> dict[str, Any]:
    kept = {key: value for key, value in resource.items() if value is not None}
    if "valueString" in kept:
        kept.pop("valueBoolean")
    return kept


@pytest.mark.parametrize("how", UNSURE)
@pytest.mark.parametrize("service", ["collar-order-select", "collar-patient-view"])
def test_a_danger_that_could_not_be_used_is_named_and_is_not_called_unrecorded(
    client: TestClient, how: str, service: str
) -> None:
    record = without_none(UNSURE[how])
    call = order_select if service == "collar-order-select" else patient_view
    answer = answer_of(client, service, call(*MEASURED, WORN, record))
    said = words(answer)
    assert "airway threatened: " in said.lower(), said
    unrecorded = answer["extension"]["org.example.nuque.decision"].get("dangers_not_recorded", {"text": ""})["text"]
    assert "airway" not in unrecorded


def coma(points: Any, **fields: Any) -> dict[str, Any]:
    """A Glasgow coma score (LOINC 9269-2)."""
    score = observation("coma", points, **fields)
    value = {"valueString": points} if isinstance(points, str) else {"valueQuantity": {"value": points}}
    stated = {key: field for key, field in score.items() if not key.startswith("value") and field is not None}
    return stated | value | {"code": {"coding": [{"system": "http://loinc.org", "code": "9269-2"}]}}


EARLIER = "2026-01-31T07:00:00Z"


@pytest.mark.parametrize(
    ("records", "named"),
    [
        ([coma(6, status="preliminary")], "coma score: 6"),
        ([coma(15, id="a", effectiveDateTime=EARLIER), coma(6, status="preliminary")], "coma score: 6"),
        ([coma(8, effectiveDateTime=None)], "coma score: 8"),
        ([coma("8T")], "coma score: 8T"),
        ([coma("E1VTM4")], "coma score: E1VTM4"),
        ([coma(15, status="preliminary")], None),
        ([coma(6, id="a", status="preliminary", effectiveDateTime=EARLIER), coma(15)], None),
    ],
)
@pytest.mark.parametrize("service", ["collar-order-select", "collar-patient-view"])
def test_a_low_coma_score_that_could_not_be_used_is_named(
    client: TestClient, service: str, records: list[dict[str, Any]], named: str | None
) -> None:
    call = order_select if service == "collar-order-select" else patient_view
    said = words(answer_of(client, service, call(*MEASURED, WORN, *records)))
    assert ("read it yourself" in said.lower()) is (named is not None)
    assert (named or "") in said


def test_a_coma_score_without_a_unit_is_read(client: TestClient) -> None:
    """UCUM: {score} is an annotation, and means 1; there is no unit to guess."""
    (first, *_) = answer_of(client, "collar-patient-view", patient_view(*MEASURED, WORN, coma(8)))["cards"]
    assert (first["indicator"], "coma" in first["summary"].lower()) == ("critical", True)


@pytest.mark.parametrize(
    ("quantity", "asked"),
    [
        ({"value": 15.5, "unit": "in"}, True),
        ({"value": 15.5}, True),
        ({"value": 15.5, "unit": "in", "system": "http://unitsofmeasure.org", "code": "mm"}, True),
        ({"value": 15.5, "unit": "in", "system": "http://unitsofmeasure.org", "code": "[in_i]"}, False),
    ],
)
def test_a_tape_that_could_not_be_read_comes_before_the_fitting(
    client: TestClient, quantity: dict[str, Any], asked: bool
) -> None:
    """A stand-in is no measurement: both sizes are brought, and the collar waits for the tape."""
    tape = observation("neck-circumference", 0, valueQuantity=quantity)
    (card,) = answer_of(client, "collar-order-select", order_select(observation("neck-height", 66), tape))["cards"][-1:]
    assert ("for the neck circumference, not used: how much is it? Measure it." in card["detail"]) is asked
    assert ("once the neck is measured; bring adult H3 G3 too" in card["detail"]) is asked


HARMLESS = {
    "a no that is not signed": [observation("airway-threat", False, status="preliminary")],
    "entered in error": [observation("airway-threat", True, status="entered-in-error")],
    "denied since": [
        observation("airway-threat", True, status="preliminary", effectiveDateTime="2026-01-31T07:00:00Z"),
        observation("airway-threat", False, id="later", effectiveDateTime="2026-01-31T08:00:00Z"),
    ],
    "no danger": [observation("long-hair", True, status="preliminary")],
}


@pytest.mark.parametrize("how", HARMLESS)
def test_what_is_no_danger_or_was_denied_or_taken_back_is_only_counted(client: TestClient, how: str) -> None:
    answer = answer_of(client, "collar-order-select", order_select(*MEASURED, WORN, *HARMLESS[how]))
    assert LOOK not in words(answer)
    assert "Not used: 1 record" in words(answer)


@pytest.mark.parametrize("key", ["observations2", "conditions", "procedures", "deviceUses"])
@pytest.mark.parametrize("lack", ["failed", "left out"])
@pytest.mark.parametrize("service", ["collar-order-select", "collar-patient-view"])
def test_what_could_not_be_had_and_may_hold_dangers_is_named(
    client: TestClient, key: str, lack: str, service: str
) -> None:
    call = (order_select if service == "collar-order-select" else patient_view)(*MEASURED, WORN)
    call["prefetch"][key] = TIMED_OUT
    if lack == "left out":
        del call["prefetch"][key]
    name = {"observations2": "observations", "deviceUses": "device uses"}.get(key, key)
    assert f"{name} (not all could be read)" in words(answer_of(client, service, call))


def searchset(*entries: dict[str, Any], **fields: Any) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": "searchset", "entry": list(entries), **fields}


def told(severity: str, code: str) -> dict[str, Any]:
    """An entry that tells of the search (R4, Bundle.entry.search.mode)."""
    issue = {"severity": severity, "code": code, "diagnostics": "in its own words"}
    return {"resource": {"resourceType": "OperationOutcome", "issue": [issue]}, "search": {"mode": "outcome"}}


@pytest.mark.parametrize(
    ("answer", "counted", "named"),
    [
        (searchset(told("error", "timeout")), True, True),
        (searchset(told("warning", "incomplete")), True, True),
        (searchset(total=412), True, True),
        (searchset(told("warning", "not-supported")), True, False),
        (searchset(told("information", "suppressed")), False, False),
        (searchset(total=0), False, False),
    ],
)
@pytest.mark.parametrize("service", ["collar-order-select", "collar-patient-view"])
def test_a_search_that_found_less_than_there_is_says_so(
    client: TestClient, service: str, answer: dict[str, Any], counted: bool, named: bool
) -> None:
    call = changed(
        (order_select if service == "collar-order-select" else patient_view)(*MEASURED, WORN),
        "prefetch.conditions",
        answer,
    )
    said = answer_of(client, service, call)
    assert ("conditions (not all could be read)" in words(said)) is named
    assert len(said["extension"]["org.example.nuque.decision"].get("not_used", [])) == counted


def test_a_chart_of_which_nobody_knows_whether_a_collar_is_on_says_so(client: TestClient) -> None:
    quiet = patient_view(*MEASURED)
    assert answer_of(client, "collar-patient-view", quiet)["cards"] == []
    quiet["prefetch"]["deviceUses"] = TIMED_OUT
    assert "device uses (not all could be read)" in words(answer_of(client, "collar-patient-view", quiet))
    use = {
        "resourceType": "DeviceUseStatement",
        "id": "u",
        "status": "active",
        "subject": {"reference": "Patient/p1"},
        "device": {"display": "Collar, padded, chin piece"},
    }
    named = changed(patient_view(*MEASURED), "prefetch.deviceUses", bundle(use))
    (card,) = answer_of(client, "collar-patient-view", named)["cards"]
    assert "Collar, padded, chin piece" in card["summary"]
    planned = changed(named, "prefetch.deviceUses", bundle(use | {"status": "entered-in-error"}))
    assert answer_of(client, "collar-patient-view", planned)["cards"] == []


def test_dangers_that_only_warn_are_said_on_the_chart_of_a_patient_in_a_collar(client: TestClient) -> None:
    """Late pregnancy, lying in spine precautions: tilted, or the womb closes the great vein (common practice, no source)."""
    late = patient_view(*MEASURED, WORN, observation("late-pregnancy", True), observation("spine-precautions", True))
    assert "left" in words(answer_of(client, "collar-patient-view", late))


def test_in_an_emergency_no_collar_is_offered(client: TestClient) -> None:
    bleeding = (observation("penetrating-injury", True), observation("neck-swelling", True), WORN)
    answer = answer_of(client, "collar-order-select", order_select(*MEASURED, *bleeding))
    offers = [offer["label"] for card in answer["cards"] for offer in card.get("suggestions", ())]
    # The collar is on: nothing is before it.
    assert offers[0] == "Call now"
    assert [label for label in offers if "adult" in label] == []
    ordinary = answer_of(client, "collar-order-select", order_select(*MEASURED))
    assert any("adult" in offer["label"] for card in ordinary["cards"] for offer in card.get("suggestions", ()))


def test_nothing_is_ended_while_the_record_contradicts_itself(client: TestClient) -> None:
    order = COLLAR_ORDER | {"id": "standing", "status": "active"}
    cleared = patient_view(*MEASURED, WORN, observation("clearance-recorded", True))
    cleared["prefetch"]["orders"] = bundle(order)
    fractured = patient_view(
        *MEASURED, WORN, observation("clearance-recorded", True), observation("known-neck-injury", True)
    )
    fractured["prefetch"]["orders"] = bundle(order)
    ended = [card["summary"] for card in answer_of(client, "collar-patient-view", cleared)["cards"]]
    assert any(said.startswith("The neck is recorded as cleared, and collar care is still ordered.") for said in ended)
    kept = words(answer_of(client, "collar-patient-view", fractured))
    assert "ask which holds" in kept and "collar care is still ordered" not in kept
