"""What is about the neck and mapped to no fact is listed as unread; what only shares a word is not."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.fhir.reading import neck_concepts
from cds.fhir.reading.code_map import CodingKey, NeckWord, SaidWords, is_cut, texts_of
from cds.fhir.reading.neck_concepts import (
    SilentObservations,
    finds_a_danger,
    is_about_the_neck,
    unread_concepts,
    words_about_the_neck,
)
from cds.fhir.reading.reader import read
from tests.cds.fhir.reading.sent import AT, LOINC, OWN, SNOMED, bundle, code_map, patient, ruleset

ICD = "http://hl7.org/fhir/sid/icd-10"
ICD_CM = "http://hl7.org/fhir/sid/icd-10-cm"

# Words as records write them; common practice, no source. None of them is a code that the map knows.
OF_THE_NECK = [
    "Neck pain",
    "Sprain of neck",
    "Haematoma of the neck after surgery",
    "Closed fracture of cervical vertebra",
    "CERVICAL SPINE INJURY",
    "Cervical spondylotic myelopathy",
    "Cervical lymphadenopathy",
    "Cervicalgia",
    "Cervico-thoracic junction not seen",
    "C5/6 disc prolapse",
    "C2 fracture",
    "Fracture of odontoid process",
    "Atlanto-axial instability",
    "Spinal cord compression",
    "Metastasis in vertebral body",
    "Ankylosing spondylitis of spine",
    "Torticollis",
    "Whiplash",
    "Difficult airway",
    "Airway obstruction",
    "Tracheal deviation",
    "Laryngeal oedema",
    "Difficult intubation",
    "Halo traction",
    "Internal jugular catheter",
    "Carotid dissection",
]
NOT_OF_THE_NECK = [
    "Fracture of neck of femur",
    "Fracture of surgical neck of left humerus",
    "Bladder neck obstruction",
    "Cancer of neck of pancreas",
    "Cervical smear",
    "Cervical intraepithelial neoplasia",
    "Cervical dilatation during labour",
    "Cervical cancer screening",
    "Cervicovaginal infection",
    "Spinal anaesthesia",
    "Fracture of anterior superior iliac spine",
    "Chronic obstructive airway disease",
    "Peak inspiratory airway pressure",
    "Complement C3 level",
    "C1 esterase inhibitor deficiency",
    "Halo naevus",
    "Hypertension",
    "Knee pain",
    "",
]


@pytest.mark.parametrize("words", OF_THE_NECK)
@pytest.mark.parametrize("place", ["text", "display"])
def test_words_of_the_neck_are_found(words, place):
    concept = {"text": words} if place == "text" else {"coding": [{"system": SNOMED, "code": "1", "display": words}]}
    assert is_about_the_neck(concept, code_map())


@pytest.mark.parametrize("words", NOT_OF_THE_NECK)
def test_words_that_only_sound_like_it_are_not(words):
    assert not is_about_the_neck({"text": words}, code_map())


@pytest.mark.parametrize(
    ("system", "code", "about"),
    [
        (ICD, "S16.1", True),
        (ICD_CM, "M54.2", True),
        (ICD, "M54.5", False),
        (ICD, "S72.0", False),
        (SNOMED, "S16", False),
    ],
)
def test_codes_count_by_their_beginning_in_their_system(system, code, about):
    assert is_about_the_neck({"coding": [{"system": system, "code": code}]}, code_map()) is about


@pytest.mark.parametrize("concept", [None, [], "neck", 3, {"text": 3}, {"coding": 3}, {"coding": [3, {"code": 3}]}])
def test_whatever_is_malformed_is_about_nothing(concept):
    assert not is_about_the_neck(concept, code_map())


def told(*resources):
    records = [{"subject": {"reference": "Patient/p"}, **resource} for resource in resources]
    return read(bundle(patient(), *records), ruleset(), code_map(), AT)


def condition(code, **more):
    return {"resourceType": "Condition", "id": "c", "code": code, **more}


OPERATION = {
    "resourceType": "Procedure",
    "id": "c",
    "status": "completed",
    "code": {"text": "Anterior cervical discectomy"},
}


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        (condition({"text": "Fracture of C4"}), "unread"),
        (condition({"text": "Fracture of C4"}, clinicalStatus={"coding": [{"code": "active"}]}), "unread"),
        (condition({"text": "Fracture of C4"}, clinicalStatus={"coding": [{"code": "resolved"}]}), "code"),
        (condition({"text": "Fracture of C4"}, verificationStatus={"coding": [{"code": "provisional"}]}), "unread"),
        (condition({"text": "Fracture of C4"}, verificationStatus={"coding": [{"code": "refuted"}]}), "code"),
        (condition({"text": "Fracture of C4"}, abatementDateTime="2020-01-01"), "code"),
        (OPERATION | {"performedDateTime": "2026-01-02"}, "unread"),
        (OPERATION | {"performedDateTime": "2020-01-02"}, "code"),
        (OPERATION | {"status": "not-done"}, "code"),
    ],
)
def test_what_may_hold_now_is_for_a_person_to_read_and_the_rest_only_listed(resource, kind):
    (found,) = told(resource).not_used
    assert found.kind == kind
    assert (found.look_up is not None) == (kind == "unread")


@pytest.mark.parametrize(
    "resource",
    [
        condition({"text": "Fracture of C4"}),
        condition({"text": "Fracture of odontoid process"}, clinicalStatus={"coding": [{"code": "resolved"}]}),
        condition({"text": "Fracture"}, bodySite=[{"text": "Cervical spine"}]),
        OPERATION,
        {
            "resourceType": "Observation",
            "id": "c",
            "status": "final",
            "code": {"text": "Palpation of neck"},
            "valueString": "soft",
        },
        {
            "resourceType": "Observation",
            "id": "c",
            "status": "final",
            "code": {"text": "Examination"},
            "component": [{"code": {"text": "Trachea"}, "valueString": "left of the midline"}],
        },
        {
            "resourceType": "Observation",
            "id": "c",
            "status": "final",
            "code": {"text": "Finding"},
            "valueCodeableConcept": {"text": "Whiplash"},
        },
    ],
    ids=["condition", "resolved", "body site", "procedure", "observation", "component", "coded value"],
)
def test_an_unmapped_concept_of_the_neck_is_listed_as_unread(resource):
    (unread,) = told(resource).not_used
    assert (unread.fact, unread.reference) == (None, f"{resource['resourceType']}/c")
    assert "mapped to no fact" in unread.reason


def test_an_unmapped_concept_of_something_else_is_not_listed():
    assert told(condition({"text": "Fracture of neck of femur"}), condition({"text": "Asthma"}, id="d")).not_used == ()


def test_a_mapped_concept_is_read_and_not_listed():
    mapped = condition(
        {"coding": [{"system": ICD, "code": "S12.1", "display": "Fracture of second cervical vertebra"}]}
    )
    reading = told(mapped)
    assert {fact.name: fact.value for fact in reading.facts}["known_neck_injury"] is True
    assert reading.not_used == ()


# Conditions of a diseased or stiff spine, and other dangers. ICD-10 and ICD-10-CM, from memory; to be confirmed by the site.
MAPPED = [
    ("M48.1", "hyperostotic_spine"),
    ("Q76.1", "previous_neck_fusion"),
    ("M43.22", "previous_neck_fusion"),
    ("M05.9", "neck_laxity"),
    ("M06.9", "neck_laxity"),
    ("Q90.9", "neck_laxity"),
    ("Q79.6", "neck_laxity"),
    ("M43.4", "neck_laxity"),
    ("M48.02", "known_vertebral_disease"),
    ("M46.4", "known_vertebral_disease"),
    ("M45", "inflammatory_spine_disease"),
    ("S13.1", "known_neck_injury"),
    ("S14.1", "neurological_deficit"),
    ("G82.5", "paralysis"),
    ("S02.6", "facial_injury"),
    ("R06.1", "airway_threat"),
    ("T71.162A", "strangulation"),
    ("M48.0", "known_vertebral_disease"),
    ("M48.00", "known_vertebral_disease"),
    ("Z33.1", "pregnant"),
    ("Z34.91", "pregnant"),
    ("O09.90", "pregnant"),
    ("Z3A.19", "pregnant"),
    ("Z3A.20", "late_pregnancy"),
    ("Z3A.34", "late_pregnancy"),
    ("Z34.93", "late_pregnancy"),
]


@pytest.mark.parametrize(("code", "fact"), MAPPED)
def test_a_recorded_disease_or_danger_is_read(code, fact):
    known = {"clinicalStatus": {"coding": [{"code": "active"}]}, "recordedDate": AT.date().isoformat()}
    reading = told(condition({"coding": [{"system": ICD_CM, "code": code}]}, **known))
    assert {read.name: read.value for read in reading.facts}.get(fact) is True
    assert reading.not_used == ()


def test_coma_without_a_score_is_read_and_near_misses_are_listed():
    known = {"clinicalStatus": {"coding": [{"code": "active"}]}, "recordedDate": AT.date().isoformat()}
    coma = told(condition({"coding": [{"system": ICD_CM, "code": "R40.20"}]}, **known))
    assert {read.name: read.value for read in coma.facts}.get("responsiveness") == "unresponsive"
    for code in ("R40.1", "R40.241", "T71.9"):
        reading = told(condition({"coding": [{"system": ICD_CM, "code": code}]}, **known))
        assert not {"responsiveness", "strangulation"} & {read.name for read in reading.facts}, code
        assert reading.not_used, code
    assert told(condition({"text": "Strangulation by a rope"}, **known)).not_used
    assert not told(condition({"text": "Comanche heritage clinic"}, **known)).not_used


def test_craniocervical_dislocation_is_a_suspected_distraction_injury():
    (meaning,) = code_map().meanings([CodingKey(ICD_CM, "S13.111A")])
    assert (meaning.fact, meaning.value) == ("suspected_distraction_injury", True)


def test_of_contradicting_records_of_a_danger_the_dangerous_one_is_taken():
    """Every yes/no danger, and the values that the safer answer hangs on; findings of a fit check are looked at again."""
    vocabulary = ruleset().vocabulary
    dangers = {
        (name, fact.danger.answers[0])
        for name, fact in vocabulary.items()
        if fact.danger and len(fact.danger.answers) == 1 and fact.given != "concluded"
    }
    assert ("known_neck_injury", True) in dangers and ("swallow_screen_passed", False) in dangers
    assert dangers <= set(code_map().safer.items())
    assert code_map().safer["airway_secured"] is False


def test_a_narrow_lumbar_canal_says_nothing_about_the_neck():
    assert told(condition({"coding": [{"system": ICD_CM, "code": "M48.061"}]})).facts == told().facts
    assert told(condition({"coding": [{"system": ICD_CM, "code": "M48.061"}]})).not_used == ()


def report(kind, **fields):
    return {"resourceType": kind, "id": "r", **fields}


CT = report(
    "DiagnosticReport",
    status="final",
    code={"text": "CT cervical spine"},
    conclusion="Displaced fracture of the odontoid",
    effectiveDateTime="2026-01-30T10:00:00Z",
)
FLAG = report("Flag", status="active", code={"text": "Difficult airway, do not lie flat"})


@pytest.mark.parametrize(
    ("resource", "kind"),
    [
        (CT, "unread"),
        (CT | {"code": {"text": "CT"}}, "unread"),
        (CT | {"status": "preliminary"}, "unread"),
        (CT | {"effectiveDateTime": "2024-01-30T10:00:00Z"}, "code"),
        (FLAG, "unread"),
        (FLAG | {"status": "inactive"}, "code"),
        (report("NutritionOrder", status="active", oralDiet={"instruction": "Nil by mouth"}), "unread"),
        (report("ImagingStudy", status="available", description="MRI of the neck"), "unread"),
        (report("ClinicalImpression", status="completed", summary="# C5, keep collar"), "code"),
    ],
)
def test_a_record_of_another_type_about_the_neck_is_listed(resource, kind):
    (found,) = told(resource).not_used
    assert (found.kind, found.reference) == (kind, f"{resource['resourceType']}/r")
    assert "gives no facts" in found.reason


@pytest.mark.parametrize(
    "resource",
    [
        CT | {"status": "entered-in-error"},
        CT | {"subject": {"reference": "Patient/other"}},
        report("DiagnosticReport", status="final", code={"text": "Chest X-ray"}, conclusion="Clear lungs"),
        report(
            "Flag",
            status="active",
            code={"text": "Falls"},
            author={"reference": "Practitioner/1", "display": "Neck team"},
        ),
        report("CarePlan", status="active", title="Care of a rigid neck collar"),
        report("Flag", status="active", code=["neck"], text={"div": "<div>neck</div>"}),
    ],
    ids=["in error", "another patient", "about something else", "who wrote it", "a plan", "malformed"],
)
def test_a_record_of_another_type_that_says_nothing_of_the_neck_is_not(resource):
    assert told(resource).not_used == ()


def test_an_allergy_names_its_patient_in_its_own_way():
    allergy = {"resourceType": "AllergyIntolerance", "id": "r", "patient": {"reference": "Patient/p"}}
    allergy["code"] = {"text": "Latex: angioedema"}
    (found,) = read(bundle(patient(), allergy), ruleset(), code_map(), AT).not_used
    assert found.kind == "unread"


# --- exactly what counts, by a small map of its own ------------------------------------------------------------------------

LOCAL = "http://hospital.example/codes"


def small_map():
    """Words ``throat`` (not beside ``sore``) and ``halo``, codes ``N1`` and ``Q``; all that is mapped is as shipped."""
    words = (NeckWord("throat", unless=("sore",)), NeckWord("halo"), NeckWord("fracture", alone=True))
    return replace(code_map(), neck_words=words, neck_codes=frozenset({CodingKey(LOCAL, "N1"), CodingKey(LOCAL, "Q")}))


def coded(code, system=LOCAL, **fields):
    return {"coding": [{"system": system, "code": code, **fields}]}


S12 = {"coding": [{"system": ICD_CM, "code": "S12.9"}]}


@pytest.mark.parametrize(
    ("concept", "about"),
    [
        ({"text": "Throat"}, True),
        ({"text": "sore throat"}, False),
        ({"text": "sore throat", "coding": [{"display": "halo"}]}, True),
        ({"text": "knee", "coding": [{"display": "knee"}, {"display": "throat"}]}, True),
        ({"text": "#"}, True),
        ({"text": "＃"}, True),
        ({"text": "# 3"}, False),
        ({"text": "#3"}, False),
        (coded("N1"), True),
        (coded("N12.3"), True),
        (coded("Q"), True),
        (coded("Q5"), True),
        (coded("N"), False),
        (coded("XN1"), False),
        (coded("N1", "http://x.example"), False),
        ({"coding": [*coded("x")["coding"], *coded("N1")["coding"]]}, True),
        ({"text": "knee"}, False),
    ],
)
def test_a_concept_counts_by_a_word_or_the_beginning_of_a_code(concept, about):
    assert is_about_the_neck(concept, small_map()) is about


@pytest.mark.parametrize(
    ("observation", "silent"),
    [
        ({"code": coded("x")}, True),
        ({"code": {**coded("x"), "text": "sodium"}}, True),
        ({"code": {"coding": [*coded("x")["coding"], *coded("y")["coding"]]}}, True),
        # A closer look.
        ({"code": {**coded("x"), "text": "throat"}}, False),
        ({"code": coded("x", display="throat")}, False),
        ({"code": coded("N1")}, False),
        ({"code": {"coding": [*coded("x")["coding"], *coded("N1")["coding"]]}}, False),
        ({"code": coded("x"), "component": []}, False),
        ({"code": coded("x"), "valueCodeableConcept": {}}, False),
        ({"code": coded("x"), "valueString": ""}, False),
        ({"code": coded("x"), "bodySite": {}}, False),
        ({"code": coded("x"), "valueQuantity": {}}, True),
        # Mapped, or one of our own codes, known or not.
        ({"code": coded("8302-2", LOINC)}, False),
        ({"code": coded("9267-6", LOINC)}, False),
        ({"code": coded("bed-rest", OWN)}, False),
        ({"code": coded("bed-rset", OWN)}, False),
        ({"code": {"coding": [*coded("x")["coding"], *coded("bed-rset", OWN)["coding"]]}}, False),
        # Incomplete or malformed.
        ({}, False),
        ({"code": "x"}, False),
        ({"code": {"text": "sodium"}}, False),
        ({"code": {"coding": []}}, False),
        ({"code": {"coding": coded("x")}}, False),
        ({"code": {"coding": ["x"]}}, False),
        ({"code": {"coding": [{"code": "x"}]}}, False),
        ({"code": {"coding": [*coded("x")["coding"], {"system": LOCAL}]}}, False),
        ({"code": coded(["x"])}, False),
        ({"code": coded("x", display=["x"])}, True),
        ({"code": {**coded("x", display=["x"]), "text": "throat"}}, False),
    ],
)
def test_what_says_nothing_is_told_at_once_and_again(observation, silent):
    silence = SilentObservations(small_map())
    assert [silence.say_nothing(observation), silence.say_nothing(observation)] == [silent, silent]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (coded("x"), coded("N1")),
        (coded("x"), coded("x", OWN)),
        (coded("x"), coded("x", display="throat")),
        (coded("x"), {**coded("x"), "text": "throat"}),
    ],
)
def test_what_was_found_of_one_concept_is_not_taken_for_another(first, second):
    silence = SilentObservations(small_map())
    assert [silence.say_nothing({"code": code}) for code in (first, second, first)] == [True, False, True]


def test_a_concept_that_comes_again_is_looked_at_once(monkeypatch):
    looked = []
    monkeypatch.setattr(neck_concepts, "is_about_the_neck", lambda code, _: looked.append(code))
    silence = SilentObservations(small_map())
    assert [silence.say_nothing({"code": coded("x")}) for _ in range(3)] == [True, True, True]
    assert len(looked) == 1


@pytest.mark.parametrize(
    ("resource", "expected"),
    [
        ({"code": {"text": "throat"}}, ["throat"]),
        ({"code": coded("N1")}, ["N1"]),
        ({"code": {"coding": [*coded("N1")["coding"], *coded("x")["coding"]]}}, ["N1 x"]),
        ({"code": {**coded("N1", display="halo ring"), "text": "ring"}}, ["ring"]),
        ({"code": {"text": "knee"}}, []),
        ({}, []),
        # The value counts with its question, the body site with the whole.
        ({"code": {"text": "seen"}, "valueString": "throat"}, ["seen, throat"]),
        ({"code": {"text": "seen"}, "valueCodeableConcept": {"text": "throat"}}, ["seen, throat"]),
        (
            {"code": {"text": "seen"}, "valueCodeableConcept": {"text": "halo"}, "valueString": "throat"},
            ["seen, halo, throat"],
        ),
        ({"code": {"text": "throat"}, "valueString": "throat"}, ["throat"]),
        ({"code": {"text": "wound"}, "bodySite": {"text": "throat"}}, ["wound, throat"]),
        ({"code": {"text": "wound"}, "bodySite": [{"text": "knee"}, {"text": "throat"}]}, ["wound, knee, throat"]),
        ({"code": {"text": "wound"}, "bodySite": "throat"}, []),
        ({"code": {}, "bodySite": {"text": "throat"}}, ["throat"]),
        ({"valueString": "throat"}, ["throat"]),
        # A value that is mapped, under a question that is not.
        ({"code": {"text": "seen"}, "valueCodeableConcept": S12}, ["seen, S12.9"]),
        ({"code": coded("404684003", SNOMED), "valueCodeableConcept": S12}, []),
        # Mapped, or one of our own codes.
        ({"code": {**S12, "text": "throat"}}, []),
        ({"code": {**coded("x", OWN), "text": "throat"}}, []),
        # Components, each by itself.
        (
            {"code": {"text": "seen"}, "component": [{"code": {"text": "throat"}}, "x", {"code": {"text": "knee"}}]},
            ["throat"],
        ),
        (
            {"code": {"text": "throat"}, "component": [{"code": {"text": "a"}, "valueString": "halo"}]},
            ["throat", "a, halo"],
        ),
        ({"code": {**S12, "text": "throat"}, "component": [{"code": {"text": "halo"}}]}, ["halo"]),
        (
            {"code": {"text": "x"}, "component": [{"code": {"text": "y"}}], "bodySite": {"text": "throat"}},
            ["x, throat"],
        ),
    ],
)
def test_the_concepts_of_the_neck_that_no_fact_is_mapped_to(resource, expected):
    assert [found.words for found in unread_concepts(resource, small_map())] == expected


@pytest.mark.parametrize(
    ("observation", "danger"),
    [
        ({"code": {"text": "seen"}, "valueString": "throat"}, True),
        ({"valueString": "throat"}, True),
        ({"code": {"text": "throat"}, "valueString": "good"}, False),
        ({"code": {"text": "throat"}}, False),
        ({"code": {"text": "seen"}, "valueCodeableConcept": coded("N1")}, True),
        ({"code": {"text": "seen"}, "valueCodeableConcept": S12}, True),
        ({"code": {"text": "seen"}, "valueCodeableConcept": coded("x")}, False),
        # Denied.
        ({"code": {"text": "seen"}, "valueString": "no throat pain"}, False),
        ({"code": {"text": "seen"}, "valueCodeableConcept": {**S12, "text": "none"}}, False),
        (
            {"code": {"text": "seen"}, "valueCodeableConcept": {"text": "throat", "coding": [{"display": "absent"}]}},
            False,
        ),
        ({"code": {"text": "seen"}, "valueCodeableConcept": {"text": "none"}, "valueString": "throat"}, True),
        ({"code": {"text": "seen"}, "valueString": "nothing in the throat"}, True),
        # About something else than now.
        ({"code": {"text": "Family members"}, "valueString": "throat"}, False),
        ({"code": {"text": "seen", "coding": [{"display": "past HISTORY"}]}, "valueString": "throat"}, False),
        ({"code": {"text": "prehistory"}, "valueString": "throat"}, True),
        # In components.
        (
            {
                "component": [
                    {"code": {"text": "a"}, "valueString": "good"},
                    {"code": {"text": "b"}, "valueString": "throat"},
                ]
            },
            True,
        ),
        ({"valueString": "no throat", "component": [{"valueString": "throat"}]}, True),
        ({"code": {"text": "history"}, "valueString": "x", "component": [{"valueString": "throat"}]}, True),
        ({"component": [{"code": {"text": "mother"}, "valueString": "throat"}, "x"]}, False),
        ({"component": {"valueString": "throat"}}, False),
        # A long text is looked at for as many characters as a concept may have.
        ({"valueString": "x " * 997 + "throat"}, True),
        ({"valueString": "x " * 998 + "throat"}, False),
    ],
)
def test_a_value_that_names_a_danger_of_now(observation, danger):
    assert finds_a_danger(observation, small_map()) is danger


@pytest.mark.parametrize(
    ("resource", "expected"),
    [
        ({"code": {"text": "throat"}}, "throat"),
        ({"conclusion": " throat "}, "throat"),
        *[({key: "throat"}, "throat") for key in ("text", "display", "description", "summary", "detail")],
        *[({key: "throat"}, "throat") for key in ("comment", "instruction", "title")],
        ({"name": "throat", "status": "throat"}, None),
        ({"conclusion": "  "}, None),
        # A code alone, under each of the elements that hold one.
        *[({key: coded("N1")}, "a code alone") for key in ("code", "conclusionCode", "reasonCode", "procedureCode")],
        ({"conclusionCode": [coded("x"), coded("N1")]}, "a code alone"),
        ({"conclusionCode": [coded("N1", display="ring")]}, "ring"),
        ({"otherCode": coded("N1")}, None),
        # From the outside in, three texts at most, each once.
        ({"code": {"text": "CT"}, "conclusion": "throat"}, "throat: CT"),
        (
            {"code": {"text": "CT"}, "conclusion": "throat", "title": "throat", "note": [{"text": "b"}, {"text": "c"}]},
            "throat: CT: b",
        ),
        ({"a": {"text": "1"}, "b": {"text": "2"}, "c": {"text": "3"}, "d": {"text": "throat"}}, "1: 2: 3"),
        ({"a": [{"c": {"text": "throat"}}], "b": {"text": "1"}}, "1: throat"),
        # Not what it refers to, nor its narrative, nor what is about the record.
        ({"author": {"reference": "Practitioner/1", "display": "throat"}}, None),
        ({"text": {"div": "<div>throat</div>", "text": "throat"}}, None),
        *[({key: [{"text": "throat"}]}, None) for key in ("contained", "extension", "meta")],
        ({"note": [{"text": "throat"}]}, "throat"),
        ({"note": [[{"text": "throat"}]]}, "throat"),
        ({"conclusion": "x " * 9997 + "throat"}, "x " * 9997 + "throat"),
        ({"conclusion": "x " * 9999 + "y"}, None),
        ({"code": {"text": "knee"}}, None),
        ({}, None),
    ],
)
def test_the_words_of_a_record_that_gives_no_facts(resource, expected):
    found = words_about_the_neck(resource, small_map())
    assert found == (None if expected is None else (expected, False))


@pytest.mark.parametrize(("parts", "found"), [(497, ("throat", False)), (498, ("a code alone", True))])
def test_so_many_parts_of_a_record_are_looked_at(parts, found):
    """The record, its list and what stands before count as well."""
    assert words_about_the_neck({"note": [*[{}] * parts, {"text": "throat"}]}, small_map()) == found


@pytest.mark.parametrize("texts", [["x " * 10_000 + "y"], ["x " * 5_000, "y " * 5_000, "throat"], ["z" * 20_001]])
def test_a_record_that_says_more_than_is_looked_at_is_not_passed_over(texts):
    found = words_about_the_neck({"note": [{"text": words} for words in texts]}, small_map())
    assert found is not None
    assert found.cut


@pytest.mark.parametrize(
    ("concept", "kept", "cut"),
    [
        ({"text": "a" * 2000}, [2000], False),
        ({"text": "a" * 2001}, [2000], True),
        ({"text": "a" * 1500, "coding": [{"display": "b" * 500}]}, [1500, 500], False),
        ({"text": "a" * 1500, "coding": [{"display": "b" * 501}]}, [1500, 500], True),
        ({"text": "a" * 1500, "coding": [{"display": "a" * 1500}]}, [1500], False),
        ({"coding": [{"display": "b" * 3000}, {"display": "c"}]}, [2000], True),
        ({"coding": {"display": "b"}, "text": 7}, [], False),
        (None, [], False),
    ],
)
def test_so_many_characters_of_a_concept_are_looked_at(concept, kept, cut):
    assert [len(said) for said in texts_of(concept)] == kept
    assert is_cut(concept) is cut


@given(
    words=st.lists(st.sampled_from(["ring", "throat", "no", "rings", "r", "lie", "flat", "x"]), max_size=12),
    phrase=st.sampled_from(["ring", "ring.", "lie flat", "lie. flat.", "no ring x", "x x"]).map(NeckWord),
)
def test_a_phrase_is_found_as_if_each_word_were_looked_at(words, phrase):
    (parts,) = phrase._phrases[0]
    plain = any(
        all(part.starts(word) for part, word in zip(parts, words[start:], strict=False))
        for start in range(len(words) - len(parts) + 1)
    )
    assert phrase.found_in(words) is phrase.found_in(SaidWords(words)) is plain
