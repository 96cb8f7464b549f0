"""A danger whose state, or whose patient, cannot be read is named for a person to look up, and one that is not so is not.

States: Condition.clinicalStatus and .verificationStatus, and the status of each other type, of FHIR R4 (codes are case-sensitive,
datatypes.html#code; a CodeableConcept in Condition); as STU3 writes them, a code alone (conversion of Condition, R4 diff to STU3);
R5 (DeviceUsage.patient) and DSTU2 (Condition.patient) have another element in place of the subject.
"""

from typing import Any

import pytest

from cds.fhir.reading.device_use import HALO, IN_PLACE
from rules.model.decision import NotUsed
from tests.cds.fhir.reading.sent import SNOMED, Resource, concept, observation, of_patient, reading

FORMS: tuple[Any, ...] = (
    *(7, True, "x", [], {}, "FINAL", "Final", "Active", "Confirmed", ["final"], [{"coding": [{"code": "active"}]}]),
    *({"text": "active"}, {"text": "resolved"}, {"coding": {"code": "active"}}, {"coding": [{"display": "Active"}]}),
)
WHOSE: tuple[Any, ...] = (None, "Patient/p", [], {}, {"display": "p"}, [{"reference": "Patient/p"}], {"reference": 7})

STRIDOR = of_patient("Condition", "c", code=concept("70407001", SNOMED), recordedDate="2026-01-31T09:00:00Z")
IN_WORDS = of_patient("Condition", "c", code={"text": "Unstable C5 fracture"}, recordedDate="2026-01-31T09:00:00Z")
THREAT = observation("o", "airway-threat", valueBoolean=True)
UNMAPPED = observation("o", "8251-0", "http://loinc.org", valueString="stridor at rest")
ANSWER = of_patient(
    "QuestionnaireResponse",
    "q",
    status="completed",
    authored="2026-01-31T09:00:00Z",
    item=[{"linkId": "airway_threat", "answer": [{"valueBoolean": True}]}],
)
OPERATION = of_patient(
    "Procedure", "p", status="completed", code={"text": "Fixation of odontoid fracture"}, performedDateTime="2026-01-30"
)
VISIT = of_patient("Encounter", "e", status="in-progress", reasonCode=[{"text": "Stridor"}])


def worn(device: str) -> Resource:
    start = {"start": "2026-01-30T09:00:00Z"}
    return of_patient("DeviceUseStatement", "d", status="active", timingPeriod=start, device={"display": device})


def looked_up(record: Resource) -> list[NotUsed]:
    return [one for one in reading(record).not_used if one.look_up]


def without_none(record: Resource) -> Resource:
    return {key: value for key, value in record.items() if value is not None}


@pytest.mark.parametrize("form", FORMS, ids=repr)
@pytest.mark.parametrize(
    ("record", "key"),
    [
        *((record, key) for record in (STRIDOR, IN_WORDS) for key in ("clinicalStatus", "verificationStatus")),
        *((record, "status") for record in (THREAT, UNMAPPED, ANSWER, OPERATION, VISIT)),
        *((worn(device), "status") for device in ("Halo vest", "Rigid neck collar", "Tracheostomy tube")),
    ],
    ids=lambda one: one if isinstance(one, str) else one["resourceType"],
)
def test_a_danger_of_a_state_that_cannot_be_read_is_named(record: Resource, key: str, form: Any) -> None:
    assert looked_up({**record, key: form})


@pytest.mark.parametrize(
    ("record", "fields"),
    [
        *(
            (record, {"clinicalStatus": concept(code)})
            for record in (STRIDOR, IN_WORDS)
            for code in ("resolved", "inactive")
        ),
        *(
            (record, {"verificationStatus": concept(code), "clinicalStatus": "active"})
            for record in (STRIDOR, IN_WORDS)
            for code in ("refuted", "entered-in-error")
        ),
        *((record, {"status": "entered-in-error"}) for record in (THREAT, UNMAPPED, ANSWER, OPERATION, VISIT)),
        *((worn(device), {"status": "entered-in-error"}) for device in ("Halo vest", "Rigid neck collar")),
        *((record, {"status": "cancelled"}) for record in (THREAT, UNMAPPED, VISIT)),
        (OPERATION, {"status": "not-done"}),
        (worn("Tracheostomy tube"), {"status": "completed"}),
    ],
)
def test_what_by_its_state_is_not_so_is_named_on_no_card(record: Resource, fields: Resource) -> None:
    assert not looked_up({**record, **fields})


@pytest.mark.parametrize("whose", WHOSE, ids=repr)
@pytest.mark.parametrize(
    "record",
    [
        *(STRIDOR, IN_WORDS, THREAT, UNMAPPED, ANSWER, OPERATION, VISIT),
        *map(worn, ("Halo vest", "Rigid neck collar", "Tracheostomy tube")),
        of_patient("DiagnosticReport", "r", status="final", code={"text": "CT"}, conclusion="Unstable fracture of C5"),
    ],
    ids=lambda one: one["resourceType"],
)
def test_a_danger_that_does_not_say_whose_it_is_is_named(record: Resource, whose: Any) -> None:
    sent = without_none({**record, "subject": whose})
    found = looked_up(sent)
    assert found
    assert any("does not say whose record it is" in one.reason for one in reading(sent).not_used)


@pytest.mark.parametrize(("device", "fact"), [("Halo vest", HALO), ("Rigid neck collar", IN_PLACE)])
def test_whether_a_device_of_nobody_is_on_is_to_be_looked_up_until_it_came_off(device: str, fact: str) -> None:
    use = without_none({**worn(device), "subject": None, "patient": {"reference": "Patient/p"}})
    off = observation("off", fact.replace("_", "-"), valueBoolean=False)
    assert [one.fact for one in looked_up(use)] == [fact]
    assert [one.fact for one in reading(use, off).not_used if one.look_up] == []
    assert not any(known.name == fact for known in reading(use).facts)


@pytest.mark.parametrize("status", [None, "Completed", "unknown", ["completed"]])
@pytest.mark.parametrize(("words", "fact"), [("Removal of cervical collar", IN_PLACE), ("Removal of halo vest", HALO)])
def test_that_a_device_came_off_is_not_believed_of_a_procedure_that_may_not_be_done(
    words: str, fact: str, status: Any
) -> None:
    on = observation("on", fact.replace("_", "-"), valueBoolean=True)
    off = of_patient(
        "Procedure", "p", status="completed", code={"text": words}, performedDateTime="2026-01-31T09:30:00Z"
    )
    assert {one.name: one.value for one in reading(on, off).facts}[fact] is False
    doubtful = without_none({**off, "status": status})
    assert {one.name: one.value for one in reading(on, doubtful).facts}[fact] is True
    assert any(one.fact == fact and one.reference == "Procedure/p" for one in reading(on, doubtful).not_used)


def test_the_parts_of_a_coma_score_of_nobody_are_named() -> None:
    """LOINC 9267-6, 9270-0 and 9268-4: eyes, words and movement, 1 to 4, 5 and 6 points."""
    loinc = "http://loinc.org"
    both = observation(
        "g",
        "35088-4",
        loinc,
        component=[{"code": concept(code, loinc), "valueInteger": 1} for code in ("9267-6", "9270-0", "9268-4")],
    )
    assert [fact.value for fact in reading(both).facts if fact.name == "glasgow_coma_score"] == [3]
    assert [one.fact for one in looked_up(without_none({**both, "subject": None}))] == ["glasgow_coma_score"]
