"""Words of diagnoses and operations that no fact is mapped to: what leads, what is named, what is listed, what is nobody's neck.

The words are common practice of emergency and spine records, no source; the seventh character is that of ICD-10-CM, guideline
I.C.19.a.
"""

from __future__ import annotations

import pytest

from cds.fhir.reading.neck_concepts import TOO_LONG
from rules.model.decision import NotUsed
from tests.cds.fhir.reading.codes.test_danger_names import each
from tests.cds.fhir.reading.sent import ICD, SNOMED, of_patient, reading

SPINE = """\
C5 burst fracture with cord compression; C5 fx unstable, cord contusion; Fracture of cervical spine; # C5; C-2 fracture
Fracture C 2; Hangman's fracture; Unstable neck; C5/6 instability; Subluxation of C4; perched facet C5/6; SCIWORA
C5/6 ligament injury; HWS-Fraktur; Densfraktur; Genickbruch; fracture de l'odontoïde; incomplete cord lesion
C5 fracture without cord injury; No fracture of C2. Instability C5/6; No weakness, C5 fracture; atlanto-occipital dissociation
No sensation below C5 cord injury"""
WOUND = "GSW neck; stab wound of neck; Throat laceration; gunshot wound to the face"
AIRWAY = """\
Angioedema; Ludwig's angina; retropharyngeal abscess; laryngeal oedema; Smoke inhalation; near hanging; Quinsy
Stab wound neck, stridor"""
NAMED = """\
Cervical spondylosis; History of cervical fusion 1999; Old C5 fracture; Dens fracture, sequela; healed C5 fracture; # mandible
L1 vertebral fracture; ACDF C5/6; Acute neck pain; Neck pain after a fall; Neck strain, arm weakness; Tetraplegia; dysphagia
Denies neck pain and dysphagia; No airway reflexes, laryngeal mask; Nil by mouth; Neck sprain; vocal cord palsy"""
LISTED = """\
Cervicalgia; Chronic neck pain; Neck pain; History of cervical strain 2009; Neck muscle spasm; Pain of cervical spine
Mild recurrent neck pain since 2014"""
NOT_HERS = """\
No neck pain; No stridor; Denies neck pain, denies dysphagia; Family history of ankylosing spondylitis
FHx: rheumatoid arthritis; Mother: ankylosing spondylitis; Kein Stridor; Without fracture of C5"""


def listed(words: str, **fields: object) -> list[NotUsed]:
    sent = of_patient("Condition", "c", **{"code": {"text": words}, "recordedDate": "2026-01-31T09:00:00Z", **fields})
    return list(reading(sent).not_used)


@pytest.mark.parametrize("words", each(SPINE))
def test_what_may_be_a_broken_or_unstable_neck_leads(words: str) -> None:
    (found,) = listed(words)
    assert (found.kind, found.look_up, found.may_be) == ("unread", words, "known_neck_injury")


@pytest.mark.parametrize("words", each(WOUND))
def test_what_may_be_a_wound_that_penetrates_leads(words: str) -> None:
    assert [found.may_be for found in listed(words)] == ["penetrating_injury"]


@pytest.mark.parametrize("words", each(AIRWAY))
def test_what_may_close_an_airway_leads(words: str) -> None:
    assert [found.may_be for found in listed(words)] == ["airway_threat"]


@pytest.mark.parametrize("words", each(NAMED))
def test_what_is_of_old_or_less_grave_is_named_and_leads_nothing(words: str) -> None:
    (found,) = listed(words)
    assert (found.look_up, found.may_be) == (words, None)


@pytest.mark.parametrize("words", each(LISTED))
def test_a_complaint_that_is_no_danger_is_listed_alone(words: str) -> None:
    (found,) = listed(words)
    assert (found.kind, found.look_up, found.may_be) == ("code", None, None)


@pytest.mark.parametrize("words", each(NOT_HERS))
def test_what_is_denied_or_of_the_family_is_nobodys_neck_here(words: str) -> None:
    assert listed(words) == []


def test_the_words_of_pain_are_no_less_where_the_code_is_that_of_an_injury() -> None:
    """ICD-10-CM S13.4, sprain of ligaments of the cervical spine."""
    coded = {"text": "Neck pain", "coding": [{"system": ICD, "code": "S13.4XXA"}]}
    assert [found.look_up for found in listed("", code=coded)] == ["Neck pain"]


@pytest.mark.parametrize(("seventh", "leads"), [("A", "known_neck_injury"), ("S", None)])
def test_what_is_left_of_an_injury_leads_nothing(seventh: str, leads: str | None) -> None:
    coded = {"text": "Ligament tear C5/6", "coding": [{"system": ICD, "code": f"S13.4XX{seventh}"}]}
    assert [found.may_be for found in listed("", code=coded)] == [leads]


@pytest.mark.parametrize(
    "fields",
    [
        {"clinicalStatus": {"coding": [{"code": "resolved"}]}},
        {"verificationStatus": {"coding": [{"code": "refuted"}]}},
        {"abatementDateTime": "2020-01-01"},
    ],
)
def test_what_is_gone_leads_nothing(fields: dict[str, object]) -> None:
    assert [(found.look_up, found.may_be) for found in listed("C5 fracture", **fields)] == [(None, None)]


@pytest.mark.parametrize(
    ("conclusion", "leads"),
    [("Unstable fracture of C5", "known_neck_injury"), ("No fracture of the cervical spine", None)],
)
def test_a_report_leads_unless_a_word_of_it_denies(conclusion: str, leads: str | None) -> None:
    report = of_patient("DiagnosticReport", "r", status="final", code={"text": "CT"}, conclusion=conclusion)
    assert [found.may_be for found in reading(report).not_used] == [leads]


def encounter(**fields: object) -> list[NotUsed]:
    act = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
    running = {
        "status": "in-progress",
        "class": {"system": act, "code": "EMER"},
        "period": {"start": "2026-01-31T08:00:00Z"},
    }
    sent = of_patient("Encounter", "e", **(running | fields))
    fracture = of_patient("Condition", "c", code={"coding": [{"system": ICD, "code": "S12.9XXA"}]})
    return list(reading(sent, fracture).not_used)


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        # Encounter.reasonCode, reasonReference and diagnosis.condition of FHIR R4.
        ({"reasonCode": [{"text": "Stab wound neck, stridor"}]}, [("unread", "airway_threat")]),
        ({"reasonCode": [{"text": "Fall down stairs, neck pain"}]}, [("unread", None)]),
        ({"reasonCode": [{"coding": [{"system": ICD, "code": "R06.1"}]}]}, [("unread", "airway_threat")]),
        ({"reasonCode": [{"text": "Neck pain"}]}, [("code", None)]),
        ({"reasonCode": [{"text": "Chest pain"}, {"text": "No neck pain"}]}, []),
        ({"reasonReference": [{"display": "C5 fracture"}]}, [("unread", "known_neck_injury")]),
        ({"diagnosis": [{"condition": {"display": "C5 fracture"}}]}, [("unread", "known_neck_injury")]),
        (
            {"diagnosis": [{"condition": {"reference": "Condition/x", "display": "C5 fracture"}}]},
            [("unread", "known_neck_injury")],
        ),
        # A diagnosis that was sent is read itself.
        ({"diagnosis": [{"condition": {"reference": "Condition/c", "display": "C5 fracture"}}]}, []),
        ({"reasonCode": "neck", "diagnosis": ["neck", {"condition": "neck"}], "reasonReference": {}}, []),
        ({"location": [{"location": {"display": "Neck clinic"}}]}, []),
    ],
)
def test_the_reason_of_an_encounter_is_for_a_person_to_read(
    fields: dict[str, object], expected: list[tuple[str, str | None]]
) -> None:
    found = [one for one in encounter(**fields) if one.fact is None]
    assert [(one.kind, one.may_be) for one in found] == expected
    assert all(bool(one.look_up) is (one.kind == "unread") for one in found)


def test_an_encounter_that_is_over_has_no_reason_of_now() -> None:
    reason = {"reasonCode": [{"text": "Stab wound neck"}]}
    assert len(encounter(**reason)) == 1
    assert encounter(status="finished", **reason) == []


def test_of_a_long_reason_it_is_said_that_only_its_beginning_was_looked_at() -> None:
    (short,), (long,) = (
        encounter(reasonCode=[{"text": "Stab wound neck " + "and more " * times}]) for times in (1, 1000)
    )
    assert long.reason.startswith(TOO_LONG) and not short.reason.startswith(TOO_LONG)


CPT, PCS = "http://www.ama-assn.org/go/cpt", "http://www.cms.gov/Medicare/Coding/ICD10"


@pytest.mark.parametrize(
    ("system", "code", "kind"),
    [
        # Coding.display and CodeableConcept.text are optional in FHIR R4.
        (SNOMED, "263031006", "code"),
        ("urn:oid:1.2.3", "4711", "code"),
        # Of ICD-10 the map knows which chapters are about a neck.
        (ICD, "I10", None),
        (ICD, "S16.1XXA", "unread"),
        (ICD, "R06.1", None),
    ],
)
def test_a_code_without_words_is_listed_where_nothing_tells_what_it_is(
    system: str, code: str, kind: str | None
) -> None:
    found = listed("", code={"coding": [{"system": system, "code": code}]})
    assert [(one.kind, one.value) for one in found] == ([] if kind is None else [(kind, code)])


def test_of_codes_without_words_all_are_listed_and_why() -> None:
    (found,) = listed("", code={"coding": [{"system": "urn:oid:1.2.3", "code": code} for code in ("4711", "4712")]})
    assert found.value == "4711 4712"
    assert found.reason == "a code that is mapped to no fact, and no words: what it is about cannot be told"


@pytest.mark.parametrize(
    ("system", "code", "kind"),
    [
        # Fusion of the neck, tracheostomy; a hip and a blood sample. From memory.
        (CPT, "22551", "unread"),
        (CPT, "31600", "unread"),
        (PCS, "0RG10A0", "unread"),
        (PCS, "0B110F4", "unread"),
        (CPT, "27130", "code"),
        (CPT, "36415", "code"),
        (PCS, "0SR9019", "code"),
    ],
)
def test_an_operation_by_its_code_alone_is_named_where_it_is_of_the_neck(system: str, code: str, kind: str) -> None:
    coded = {"coding": [{"system": system, "code": code}]}
    sent = of_patient("Procedure", "p", status="completed", code=coded, performedDateTime="2026-01-30T09:00:00Z")
    (found,) = reading(sent).not_used
    assert (found.kind, found.look_up) == (kind, code if kind == "unread" else None)
