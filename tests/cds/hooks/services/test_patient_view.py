"""``collar-patient-view`` and ``collar-discharge``."""

import time
from typing import Any

import pytest
from fastapi.testclient import TestClient

from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    answer_of,
    bundle,
    changed,
    discharge,
    observation,
    order_select,
    patient,
    patient_view,
)
from tests.shipped_content import RULESET

WORN = observation("collar-in-place", True)
LONG_TERM = observation("collar-kind", "long-term")
HOURS = {"system": "http://unitsofmeasure.org", "code": "h", "unit": "h"}
LONG_AGO = observation("last-skin-check", 40, valueQuantity={"value": 40, **HOURS})
JUST_NOW = observation("last-skin-check", 1, valueQuantity={"value": 1, **HOURS})
REVIEWED = observation("last-review", 2, valueQuantity={"value": 2, **HOURS})
COLLAR_USE = {
    "resourceType": "DeviceUseStatement",
    "id": "use-1",
    "status": "active",
    "subject": {"reference": "Patient/p1"},
    "timingPeriod": {"start": "2026-01-30T22:00:00Z"},
    "device": {"display": "rigid neck collar"},
}


def cards(client: TestClient, service: str, call: dict[str, Any]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = answer_of(client, service, call)["cards"]
    return found


def topics(card: dict[str, Any]) -> set[str]:
    rules = RULESET.rules
    return {rules[rule].topic for rule in card["extension"]["org.example.nuque.rules"]}


# --- patient-view ----------------------------------------------------------------------------------------------------------


def test_a_chart_without_a_collar_opens_in_silence(client: TestClient) -> None:
    assert cards(client, "collar-patient-view", patient_view(*MEASURED)) == []
    off = observation("collar-in-place", False)
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, off, LONG_AGO)) == []


ODONTOID = {
    "resourceType": "Condition",
    "id": "odontoid",
    "subject": {"reference": "Patient/p1"},
    "code": {"text": "Closed fracture of the odontoid process"},
}


@pytest.mark.parametrize("standing", [[WORN, LONG_TERM, JUST_NOW, REVIEWED], [COLLAR_ORDER]])
def test_a_diagnosis_of_the_neck_that_nobody_mapped_is_named_at_the_chart(
    client: TestClient, standing: list[dict[str, Any]]
) -> None:
    (card,) = cards(client, "collar-patient-view", patient_view(*MEASURED, *standing, ODONTOID))
    assert card["indicator"] == "warning"
    assert "Closed fracture of the odontoid process" in card["summary"]
    # Once the collar is on it leads, in a sentence that stands alone where something graver has the headline.
    assert card["detail"].count("Closed fracture of the odontoid process") == (WORN in standing)
    others = [
        ODONTOID | {"id": f"c{number}", "code": {"text": f"Fracture of C{number} of the neck, an old one"}}
        for number in (5, 6)
    ]
    several = cards(client, "collar-patient-view", patient_view(*MEASURED, *standing, ODONTOID, *others))
    # What is of old is named beside what leads, where something does.
    assert len(several) == 1 + (WORN in standing)
    assert "Fracture of C6 of the neck, an old one" in several[-1]["summary"] + several[-1]["detail"]
    assert all(len(card["summary"]) <= 120 for card in several)


def test_another_diagnosis_that_nobody_mapped_is_news_after_an_override(client: TestClient) -> None:
    stridor = ODONTOID | {"id": "stridor", "code": {"text": "Inspiratory stridor"}}
    chart = [*MEASURED, WORN, LONG_TERM, JUST_NOW, REVIEWED, ODONTOID]
    (card,) = cards(client, "collar-patient-view", patient_view(*chart))
    reason = {
        "reason": {"code": "specialist-advice", "system": "https://nuque.example.org/fhir/CodeSystem/override-reasons"}
    }
    feedback = {
        "card": card["uuid"],
        "outcome": "overridden",
        "outcomeTimestamp": "2026-01-31T10:00:00Z",
        "overrideReason": reason,
    }
    answer = client.post("/cds-services/collar-patient-view/feedback", json={"feedback": [feedback]})
    assert answer.status_code == 200, answer.text
    until = time.monotonic() + 20  # A card's row is written a moment after it is shown, and found then.
    while cards(client, "collar-patient-view", patient_view(*chart)):
        assert time.monotonic() < until
    (news,) = cards(client, "collar-patient-view", patient_view(*chart, stridor))
    assert "Inspiratory stridor" in news["summary"]


def test_a_diagnosis_of_the_neck_that_nobody_mapped_is_nothing_to_a_chart_without_a_collar(client: TestClient) -> None:
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, ODONTOID)) == []


def test_a_collar_that_is_looked_after_opens_in_silence(client: TestClient) -> None:
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, WORN, LONG_TERM, JUST_NOW, REVIEWED)) == []


def test_an_overdue_skin_inspection_is_said_and_can_be_ordered(client: TestClient) -> None:
    warning, due = cards(client, "collar-patient-view", patient_view(*MEASURED, WORN, LONG_TERM, LONG_AGO, REVIEWED))
    assert warning["indicator"] == "warning"
    assert "due for inspection" in warning["summary"]
    assert due["indicator"] == "info"
    (action,) = due["suggestions"][0]["actions"]
    assert action["resource"]["resourceType"] == "CarePlan"
    assert [a["detail"]["code"]["coding"][0]["code"] for a in action["resource"]["activity"]] == ["inspect-skin"]


def test_the_record_of_the_device_says_that_it_is_worn(client: TestClient) -> None:
    call = patient_view(*MEASURED, LONG_AGO)
    worn = {"resourceType": "Bundle", "entry": [{"resource": COLLAR_USE}]}
    assert cards(client, "collar-patient-view", changed(call, "prefetch.deviceUses", worn))


@pytest.mark.parametrize("service", ["collar-patient-view", "collar-discharge"])
def test_a_recorded_clearance_is_said_first_and_its_decision_offered(client: TestClient, service: str) -> None:
    made = {"collar-patient-view": patient_view, "collar-discharge": discharge}[service]
    found = cards(client, service, made(*MEASURED, WORN, observation("clearance-recorded", True)))
    assert found[0]["summary"].startswith("Cleared on record, and the collar is on")
    offered = [
        action["resource"] for card in found for offer in card.get("suggestions", ()) for action in offer["actions"]
    ]
    codes = {code["code"] for each in offered if "code" in each for code in each["code"]["coding"]}
    assert "decide-collar-need" in codes
    assert "order-liners" not in codes


def test_only_skin_review_and_dangers_are_spoken_of(client: TestClient) -> None:
    call = patient_view(*MEASURED, WORN, LONG_AGO, observation("agitation", True), observation("tracheostomy", True))
    spoken = cards(client, "collar-patient-view", call)
    assert spoken
    for card in spoken:
        assert topics(card) & {"skin", "review"} or card["indicator"] == "critical"


# --- encounter-discharge -----------------------------------------------------------------------------------------------------


def test_a_patient_without_a_collar_leaves_in_silence(client: TestClient) -> None:
    assert cards(client, "collar-discharge", discharge(*MEASURED)) == []


def test_a_patient_in_a_collar_is_given_what_has_to_be_arranged(client: TestClient) -> None:
    found = cards(client, "collar-discharge", discharge(*MEASURED, WORN))
    card = found[-1]
    assert card["summary"].startswith("Leaving in a collar: ")
    assert "handover" in topics(card)
    created = [action["resource"] for action in card["suggestions"][0]["actions"]]
    assert {resource["resourceType"] for resource in created} == {"ServiceRequest", "CarePlan"}
    assert all((resource["status"], resource["intent"]) == ("draft", "proposal") for resource in created)
    assert "fit-rigid-neck-collar" not in str(created)


def test_the_call_itself_says_that_the_patient_is_leaving(client: TestClient) -> None:
    asked = discharge(*MEASURED, WORN, extension={"org.example.nuque.whole-decision": True})
    answer = client.post("/cds-services/collar-discharge", json=asked).json()
    facts = {fact["name"]: fact for fact in answer["extension"]["org.example.nuque.decision"]["facts"]}
    assert facts["discharge_planned"]["value"] is True
    assert facts["discharge_planned"]["original"] == "the hook encounter-discharge"


@pytest.mark.parametrize(("language", "named"), [("en", "English"), ("es", "Spanish")])
def test_the_patients_instructions_go_along(client: TestClient, language: str, named: str) -> None:
    card = cards(client, "collar-discharge", discharge(*MEASURED, WORN))[-1]
    assert named in card["detail"] and f"`{language}`" not in card["detail"]
    assert "☐ **" in card["detail"] and "[ ]" not in card["detail"]
    (plan,) = [a["resource"] for a in card["suggestions"][0]["actions"] if a["resource"]["resourceType"] == "CarePlan"]
    asked = discharge(*MEASURED, WORN, extension={"org.example.nuque.whole-decision": True})
    answer = client.post("/cds-services/collar-discharge", json=asked).json()
    leaflets = answer["extension"]["org.example.nuque.decision"]["leaflets"]
    (leaflet,) = [leaflet for leaflet in leaflets if leaflet["language"] == language]
    notes = "\n".join(note["text"] for note in plan["note"])
    assert all(line in notes for section in leaflet["sections"] for line in section["lines"])


def test_what_is_arranged_already_is_not_suggested_again(client: TestClient) -> None:
    call = discharge(*MEASURED, WORN)
    card = cards(client, "collar-discharge", call)[-1]
    orders = [
        a["resource"] for a in card["suggestions"][0]["actions"] if a["resource"]["resourceType"] == "ServiceRequest"
    ]
    active = [{**order, "status": "active", "id": f"placed-{n}"} for n, order in enumerate(orders)]
    placed = {"resourceType": "Bundle", "entry": [{"resource": order} for order in active]}
    again = cards(client, "collar-discharge", changed(call, "prefetch.orders", placed))[-1]
    created = [action["resource"]["resourceType"] for action in again["suggestions"][0]["actions"]]
    assert created == ["CarePlan"]
    foreign = [{**order, "subject": {"reference": "Patient/p2"}} for order in active]
    placed = {"resourceType": "Bundle", "entry": [{"resource": order} for order in foreign]}
    others = cards(client, "collar-discharge", changed(call, "prefetch.orders", placed))[-1]
    assert len(others["suggestions"][0]["actions"]) == len(orders) + 1


# --- a patient who has died ----------------------------------------------------------------------------------------------------


def test_nothing_is_due_for_a_patient_who_has_died(client: TestClient) -> None:
    view = changed(patient_view(*MEASURED, WORN, LONG_AGO), "prefetch.patient.deceasedBoolean", True)
    assert cards(client, "collar-patient-view", view) == []
    leaving = changed(discharge(*MEASURED, WORN), "prefetch.patient.deceasedBoolean", True)
    assert cards(client, "collar-discharge", leaving) == []


def test_a_collar_for_a_patient_who_has_died_is_doubted(client: TestClient) -> None:
    call = changed(order_select(*MEASURED), "prefetch.patient.deceasedBoolean", True)
    card = cards(client, "collar-order-select", call)[0]
    assert card["indicator"] == "warning"
    assert card["summary"].startswith("The record says that this patient has died")


# --- before a collar is worn -------------------------------------------------------------------------------------------------

ORDERED = {**COLLAR_ORDER, "status": "active"}


@pytest.mark.parametrize("status", ["draft", "active", "on-hold"])
def test_a_critical_danger_is_said_when_a_collar_is_ordered(client: TestClient, status: str) -> None:
    call = patient_view(*MEASURED, observation("tracheostomy", True), LONG_AGO)
    (card,) = cards(
        client, "collar-patient-view", changed(call, "prefetch.orders", bundle({**ORDERED, "status": status}))
    )
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("Tracheostomy: ")


@pytest.mark.parametrize(
    "order",
    [
        {**ORDERED, "status": "revoked"},
        {**ORDERED, "subject": {"reference": "Patient/p2"}},
        {**ORDERED, "doNotPerform": True},
    ],
    ids=["revoked", "of another patient", "a prohibition"],
)
def test_no_order_in_force_no_card(client: TestClient, order: dict[str, Any]) -> None:
    call = patient_view(*MEASURED, observation("tracheostomy", True))
    assert cards(client, "collar-patient-view", changed(call, "prefetch.orders", bundle(order))) == []


def test_a_new_accident_in_a_halo_is_said_at_the_chart(client: TestClient) -> None:
    """A halo is worn for an unstable neck (practice-halo; common practice, no source); no collar is on or ordered."""
    halo = observation("halo-in-place", True)
    accident = [observation("blunt-injury", True), observation("setting", "emergency")]
    (card, *_) = cards(client, "collar-patient-view", patient_view(*MEASURED, halo, *accident))
    assert card["indicator"] == "critical"
    assert card["summary"].startswith("A new accident in a halo: ")
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, halo)) == []
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, *accident)) == []


def test_an_ordered_collar_without_a_danger_opens_in_silence(client: TestClient) -> None:
    assert (
        cards(client, "collar-patient-view", changed(patient_view(*MEASURED), "prefetch.orders", bundle(ORDERED))) == []
    )


OFF = observation("collar-in-place", False)
AN_ORDER_OBSERVED = (observation("specialist-order", True), observation("wear-order", "day-and-night"))


@pytest.mark.parametrize("observed", [AN_ORDER_OBSERVED, AN_ORDER_OBSERVED[1:]], ids=["ordered", "how it is worn"])
def test_a_collar_that_is_off_against_its_order_is_said_at_the_chart(
    client: TestClient, observed: tuple[dict[str, Any], ...]
) -> None:
    """Common practice, no source. The order is an observation here, and no resource of its own."""
    (card,) = cards(client, "collar-patient-view", patient_view(*MEASURED, OFF, *observed, LONG_AGO))
    assert card["summary"].startswith("A collar is ordered and none is on")


@pytest.mark.parametrize(
    "injured",
    [observation("known-neck-injury", True), observation("ct-neck", "positive")],
    ids=["known", "seen in the CT"],
)
def test_an_injured_neck_without_its_collar_is_said_at_the_chart(client: TestClient, injured: dict[str, Any]) -> None:
    sign = observation("new-neurological-sign", True)
    said = cards(client, "collar-patient-view", patient_view(*MEASURED, OFF, injured, sign))
    assert said and {card["indicator"] for card in said} == {"critical"}
    assert cards(client, "collar-patient-view", patient_view(*MEASURED, OFF, sign)) == []


# --- a collar that may be on ---------------------------------------------------------------------------------------------------

PUT_ON = {
    "resourceType": "Procedure",
    "id": "put-on",
    "status": "completed",
    "subject": {"reference": "Patient/p1"},
    "code": {"text": "Application of rigid cervical collar"},
    "performedDateTime": "2026-01-31T05:00:00Z",
}
ORDERED_YESTERDAY = {**ORDERED, "authoredOn": "2026-01-30T09:00:00Z"}
SUPPOSED = {
    "a procedure": ("procedures", PUT_ON),
    "an order": ("orders", ORDERED_YESTERDAY),
    "an observation": ("observations2", observation("collar-in-place", True) | {"status": "preliminary"}),
    "a use from tomorrow": ("deviceUses", COLLAR_USE | {"timingPeriod": {"start": "2026-02-01T05:00:00Z"}}),
    "a use with implicit rules": ("deviceUses", COLLAR_USE | {"implicitRules": "http://hospital.example/rules"}),
}
STRIDOR = observation("airway-threat", True)


@pytest.mark.parametrize("how", SUPPOSED)
def test_a_collar_that_may_be_on_is_looked_for_and_every_critical_danger_said(client: TestClient, how: str) -> None:
    key, record = SUPPOSED[how]
    (card,) = cards(client, "collar-patient-view", changed(patient_view(*MEASURED), f"prefetch.{key}", bundle(record)))
    assert card["indicator"] == "warning"
    assert card["summary"].startswith("Look whether a collar is on: ")
    threatened = changed(patient_view(*MEASURED, STRIDOR), f"prefetch.{key}", bundle(record))
    first, *_ = cards(client, "collar-patient-view", threatened)
    assert (first["indicator"], first["summary"][:13]) == ("critical", "Airway first:")


@pytest.mark.parametrize("how", ["a procedure", "an order", "a use from tomorrow"])
def test_what_has_been_looked_at_is_not_asked_again(client: TestClient, how: str) -> None:
    key, record = SUPPOSED[how]
    off = observation("collar-in-place", False)
    call = changed(patient_view(*MEASURED, off), f"prefetch.{key}", bundle(record))
    said = cards(client, "collar-patient-view", call)
    assert bool(said) is (how == "a use from tomorrow")  # What begins later is not denied by what was seen before.


def test_another_procedure_opens_no_chart(client: TestClient) -> None:
    other = PUT_ON | {"code": {"text": "Application of long leg cast"}}
    call = changed(patient_view(*MEASURED, STRIDOR), "prefetch.procedures", bundle(other))
    assert cards(client, "collar-patient-view", call) == []


def test_what_else_is_to_be_read_stands_below_the_collar_that_may_be_on(client: TestClient) -> None:
    call = changed(patient_view(*MEASURED), "prefetch.procedures", bundle(PUT_ON))
    (card,) = cards(client, "collar-patient-view", changed(call, "prefetch.conditions", bundle(ODONTOID)))
    assert "Application of rigid cervical collar" in card["summary"]
    assert "Closed fracture of the odontoid process" in card["detail"]


@pytest.mark.parametrize("how", SUPPOSED)
def test_nobody_leaves_in_a_collar_that_nobody_looked_for(client: TestClient, how: str) -> None:
    key, record = SUPPOSED[how]
    (card,) = cards(client, "collar-discharge", changed(discharge(*MEASURED), f"prefetch.{key}", bundle(record)))
    assert card["indicator"] == "warning"
    assert card["summary"].startswith("Before leaving, look whether a collar is on: ")
    assert "suggestions" not in card


def test_a_collar_that_is_ordered_and_not_recorded_as_worn_is_looked_for_before_leaving(client: TestClient) -> None:
    call = changed(discharge(*MEASURED), "prefetch.orders", bundle(ORDERED))
    (card,) = cards(client, "collar-discharge", call)
    assert card["summary"].endswith("one is ordered, and none is recorded as worn")
    off = changed(discharge(*MEASURED, observation("collar-in-place", False)), "prefetch.orders", bundle(ORDERED))
    assert cards(client, "collar-discharge", off) == []


def test_devices_that_were_not_had_are_looked_for_before_leaving(client: TestClient) -> None:
    """CDS Hooks: a prefetch that failed is null or an OperationOutcome; then nobody knows what is on."""
    failed = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]}
    (card,) = cards(client, "collar-discharge", changed(discharge(*MEASURED), "prefetch.deviceUses", failed))
    assert "device uses (not all could be read)" in card["summary"]


REPLACED = {"link": [{"other": {"reference": "Patient/p9"}, "type": "replaced-by"}]}


def test_a_chart_that_may_be_of_somebody_else_says_so(client: TestClient) -> None:
    """Patient.link.type replaced-by of FHIR R4: the resource that holds it must no longer be used."""
    worn = patient_view(*MEASURED, WORN, LONG_TERM, JUST_NOW, REVIEWED)
    (card,) = cards(client, "collar-patient-view", changed(worn, "prefetch.patient", {**patient(), **REPLACED}))
    assert (card["indicator"], card["summary"][:29]) == ("warning", "Records of person or age cont")
    assert "check name and date of birth" in card["detail"]
    without = changed(patient_view(*MEASURED), "prefetch.patient", {**patient(), **REPLACED})
    assert cards(client, "collar-patient-view", without) == []


def test_an_order_for_the_same_id_on_another_server_is_none_of_this_patient(client: TestClient) -> None:
    """R4, Reference.reference: an absolute URL says at which server the resource is."""
    seen = []
    for subject in ("https://ehr.example/fhir/Patient/p1", "https://other.example/fhir/Patient/p1"):
        call = {**patient_view(observation("airway-threat", True)), "fhirServer": "https://ehr.example/fhir"}
        call["prefetch"]["orders"] = bundle({**COLLAR_ORDER, "status": "active", "subject": {"reference": subject}})
        seen.append([card["indicator"] for card in cards(client, "collar-patient-view", call)])
    assert seen == [["critical"], []]
