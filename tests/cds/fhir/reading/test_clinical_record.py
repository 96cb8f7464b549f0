"""Element names, states and periods: Observation, Condition, Procedure and Period of FHIR R4; ICD-10-CM as the code map has it."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from cds.fhir.reading.clinical_record import ClinicalRecordReader, When, status_problem
from cds.fhir.reading.code_map import Meaning
from cds.fhir.reading.patient import AgeQuestion
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.reading.value_parser import Value
from tests.cds.fhir.reading.sent import (
    AT,
    ICD,
    LOINC,
    OWN,
    SNOMED,
    Resource,
    as_listed,
    code_map,
    concept,
    of_patient,
    quantity,
    record,
    ruleset,
)

EAST = datetime(2026, 1, 31, 12, tzinfo=timezone(timedelta(hours=2)))
"""The same moment as AT, where the clocks are two hours ahead."""
NINE = datetime(2026, 1, 31, 9, tzinfo=UTC)
MIDNIGHT = datetime(2026, 1, 30, 22, tzinfo=UTC)
"""When 2026-01-31 began in the east."""
NO_DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"
WHOLE = record(of_patient("Observation", "o"))
LABEL, REFERENCE = "label of Observation/o", "Observation/o"
STALE_DAY = RejectionReason("no time", "a time that cannot be used")
NOT_SIGNED = RejectionReason("status", "not signed")


def reader(at: datetime = EAST) -> ClinicalRecordReader:
    return ClinicalRecordReader(code_map(), AgeQuestion(ruleset()), at)


def rejected(fact: str | None, written: str, kind: Any, reason: str, recorded: datetime | None = None) -> Rejected:
    return Rejected(fact, written, RejectionReason(kind, reason), LABEL, recorded)


@pytest.mark.parametrize(
    ("resource", "expected"),
    [
        ({"status": "final"}, None),
        ({"status": "amended"}, None),
        ({}, RejectionReason("malformed", "malformed: no status")),
        ({"status": None}, RejectionReason("malformed", "malformed: no status")),
        ({"status": "cancelled"}, RejectionReason("status", "status is cancelled")),
        ({"status": "entered-in-error"}, RejectionReason("status", "status is entered-in-error")),
        # R4 has no such state, so nobody can say that it is not so.
        ({"status": 7}, RejectionReason("status", "status is 7", unsettled=True)),
        ({"status": "Final"}, RejectionReason("status", "status is Final", unsettled=True)),
        ({"status": ["final"]}, RejectionReason("status", "status is a JSON array", unsettled=True)),
        ({"status": "completed"}, RejectionReason("status", "status is completed", unsettled=True)),
        # Begun, and not signed: it may be so.
        ({"status": "registered"}, RejectionReason("status", "status is registered", unsettled=True)),
        ({"status": "preliminary"}, RejectionReason("status", "status is preliminary", unsettled=True)),
        ({"status": "in-progress"}, RejectionReason("status", "status is in-progress", unsettled=True)),
        # R4, Observation.status: "The authoring/source system does not know which of the status values applies".
        ({"status": "unknown"}, RejectionReason("status", "status is unknown", unsettled=True)),
    ],
)
def test_a_state_that_keeps_a_record_from_being_used(resource: Resource, expected: RejectionReason | None) -> None:
    assert status_problem({"resourceType": "Observation", **resource}, ("final", "amended")) == expected


@pytest.mark.parametrize(
    ("kind", "settled", "open_still"),
    [
        # The value sets of FHIR R4: observation-status, event-status, request-status, questionnaire-answers-status.
        ("Observation", "cancelled entered-in-error", "registered preliminary unknown"),
        ("Procedure", "preparation not-done on-hold stopped entered-in-error", "unknown"),
        ("ServiceRequest", "draft on-hold revoked completed entered-in-error", "unknown"),
        ("QuestionnaireResponse", "stopped entered-in-error", "in-progress"),
    ],
)
def test_which_states_of_r4_leave_open_whether_it_is_so(kind: str, settled: str, open_still: str) -> None:
    states = [*settled.split(), *open_still.split()]
    found = {state: status_problem({"resourceType": kind, "status": state}, ()) for state in states}
    assert [state for state, why in found.items() if why is not None and why.unsettled] == open_still.split()
    assert None not in found.values()


FIVE_MINUTES = "2026-01-31T10:05:00Z"
TOO_LATE = AT + timedelta(minutes=5, seconds=1)
TIMES = ("effectiveDateTime", "effectivePeriod", "effectiveTiming", "onsetPeriod", "performedPeriod", "issued")


def several(element: str, given: str) -> RejectionReason:
    return RejectionReason("malformed", f"malformed: more than one {element}[x] ({given})")


def malformed(key: str, written: str, error: str = NO_DATE) -> When:
    return When(problem=RejectionReason("malformed", f"malformed {key} {written}: {error}"))


@pytest.mark.parametrize(
    ("resource", "expected"),
    [
        ({}, When()),
        ({"effectiveDateTime": "2026-01-31T09:00:00Z"}, When(NINE)),
        ({"effectiveDateTime": None, "issued": "2026-01-31T09:00:00Z"}, When(NINE)),
        ({"effectiveDateTime": "2026-01-31T09:00:00Z", "issued": "2026-01-30"}, When(NINE)),
        # A day is meant to its end, or to now.
        ({"issued": "2026-01-31"}, When(MIDNIGHT, latest=AT)),
        ({"issued": "2026-01-30"}, When(MIDNIGHT - timedelta(days=1), latest=MIDNIGHT)),
        ({"issued": "2026-01"}, When(datetime(2025, 12, 31, 22, tzinfo=UTC))),
        # A period counts by its end; by its start while it goes on, and then it speaks of now where its kind can.
        ({"effectivePeriod": {"start": "2026-01-01", "end": "2026-01-31T09:00:00Z"}}, When(NINE)),
        ({"effectivePeriod": {"end": "2026-01-31T10:00:00Z"}}, When(AT)),
        ({"effectivePeriod": {"start": "2026-01-01", "end": "2026-01-31"}}, When(MIDNIGHT, latest=AT)),
        ({"effectivePeriod": {"start": "2026-01-31T09:00:00Z"}}, When(NINE, latest=AT)),
        ({"effectivePeriod": {"start": "2026-01-31T09:00:00Z", "end": "2026-01-31T10:00:01Z"}}, When(NINE, latest=AT)),
        ({"effectivePeriod": {"start": "2026-01-30"}}, When(MIDNIGHT - timedelta(days=1), latest=AT)),
        ({"onsetPeriod": {"start": "2026-01-31T09:00:00Z"}}, When(NINE)),
        ({"onsetPeriod": {"start": "2026-01-30"}}, When(MIDNIGHT - timedelta(days=1), latest=MIDNIGHT)),
        ({"performedPeriod": {"start": "2026-01-31T09:00:00Z"}}, When(NINE)),
        ({"performedPeriod": {"start": "2026-01-31T09:00:00Z"}, "status": "completed"}, When(NINE)),
        ({"performedPeriod": {"start": "2026-01-31T09:00:00Z"}, "status": "in-progress"}, When(NINE, latest=AT)),
        ({"onsetPeriod": {"start": "2026-01-31T09:00:00Z"}, "status": "in-progress"}, When(NINE)),
        # A choice is one of its types (R4 2.6.0.3), and "issued" is no choice.
        (
            {"effectiveDateTime": "2026-01-31T09:00:00Z", "effectivePeriod": {"start": "2020", "end": "2021"}},
            When(problem=several("effective", "effectiveDateTime, effectivePeriod")),
        ),
        (
            {"effectiveInstant": "2025-01-31T09:00:00Z", "effectiveDateTime": "2026-01-31T09:00:00Z"},
            When(problem=several("effective", "effectiveDateTime, effectiveInstant")),
        ),
        (
            {"performedAge": {}, "performedPeriod": {"start": "2026-01-31T09:00:00Z"}},
            When(problem=several("performed", "performedAge, performedPeriod")),
        ),
        ({"effectivePeriod": None, "effectiveDateTime": "2026-01-31T09:00:00Z"}, When(NINE)),
        # An end before the start.
        (
            {"effectivePeriod": {"start": "2026-01-31T09:30:00Z", "end": "2026-01-26T09:00:00Z"}},
            malformed("effectivePeriod", "a JSON object", "it ends before it starts"),
        ),
        (
            {"onsetPeriod": {"start": "2026-01-30", "end": "2026-01-29"}},
            malformed("onsetPeriod", "a JSON object", "it ends before it starts"),
        ),
        (
            {"effectivePeriod": {"start": "2026-01-31T09:00:00Z", "end": "2025"}},
            malformed("effectivePeriod", "a JSON object", "it ends before it starts"),
        ),
        ({"effectivePeriod": {"start": "2026-01-31T09:00:00Z", "end": "2026-01-31"}}, When(MIDNIGHT, latest=AT)),
        ({"effectivePeriod": {"start": "2026-01-31T09:00:00Z", "end": "2026-01-31T09:00:00Z"}}, When(NINE)),
        ({"effectivePeriod": {"start": "2026-01-31T10:30:00+02:00", "end": "2026-01-31T09:00:00Z"}}, When(NINE)),
        # Times that cannot be used.
        (
            {"effectiveTiming": {}, "issued": "2026-01-31"},
            When(problem=RejectionReason("no time", "effectiveTiming is not read; give a moment or a period")),
        ),
        ({"issued": "soon"}, malformed("issued", "soon")),
        ({"issued": 7}, malformed("issued", "7")),
        ({"effectivePeriod": "today"}, malformed("effectivePeriod", "today")),
        ({"effectivePeriod": {}}, malformed("effectivePeriod", "a JSON object")),
        ({"effectivePeriod": {"start": "2026-01-31", "end": "soon"}}, malformed("effectivePeriod", "a JSON object")),
        # Clocks differ, by so many minutes and no more.
        ({"issued": FIVE_MINUTES}, When(AT + timedelta(minutes=5))),
        (
            {"issued": "2026-01-31T10:05:01Z"},
            When(TOO_LATE, RejectionReason("future", "dated in the future (issued 2026-01-31T10:05:01+00:00)")),
        ),
        (
            {"effectivePeriod": {"start": "2026-02-01"}},
            When(
                MIDNIGHT + timedelta(days=1),
                RejectionReason("future", "dated in the future (effectivePeriod 2026-02-01T00:00:00+02:00)"),
            ),
        ),
    ],
)
def test_when_something_was_so(resource: Resource, expected: When) -> None:
    assert reader().when(resource, *TIMES) == expected


def accepted(fact: str, value: Any, written: str, recorded: datetime | None = NINE, **more: Any) -> Accepted:
    return Accepted(fact, value, written, LABEL, REFERENCE, recorded, **more)


def test_a_danger_is_as_old_as_the_last_moment_that_is_meant() -> None:
    """What was measured, and the word that there is none, are as old as the first."""
    when = When(NINE, latest=AT)
    danger, none = Value("airway_threat", True, "yes"), Value("airway_threat", False, "no")
    size = Value("neck_circumference_mm", 400.0, "400 mm")
    read = reader()
    assert read.accepted(danger, WHOLE, when) == accepted("airway_threat", True, "yes", latest=AT)
    assert read.accepted(none, WHOLE, when) == accepted("airway_threat", False, "no")
    assert read.accepted(size, WHOLE, when) == accepted("neck_circumference_mm", 400.0, "400 mm")
    assert read.accepted(danger, WHOLE, When(NINE)) == accepted("airway_threat", True, "yes")
    assert read.accepted(danger, WHOLE, When(), standing=-1, ages=False) == accepted(
        "airway_threat", True, "yes", None, standing=-1, ages=False
    )


HOURS = "hours_since_injury"
UNKNOWN_TIME = "no time is recorded, so it cannot be told how many hours it is by now"
ACCEPTED_HOURS = "accepted: a number from 0 to 20000 hours"


@pytest.mark.parametrize(
    ("fact", "holder", "when", "expected"),
    [
        ("bed_rest", {"valueBoolean": True}, When(NINE), accepted("bed_rest", True, "true")),
        ("bed_rest", {"valueBoolean": True}, When(), accepted("bed_rest", True, "true", None)),
        (
            "airway_threat",
            {"valueBoolean": True},
            When(NINE, latest=AT),
            accepted("airway_threat", True, "true", latest=AT),
        ),
        (
            "bed_rest",
            {"valueBoolean": True},
            When(NINE, STALE_DAY),
            Rejected("bed_rest", "true", STALE_DAY, LABEL, NINE),
        ),
        (
            "bed_rest",
            {"valueString": "x"},
            When(NINE),
            rejected("bed_rest", "x", "code", "neither a known yes nor a known no", NINE),
        ),
        (
            "bed_rest",
            {"valueDateTime": "2026"},
            When(),
            rejected("bed_rest", "2026", "code", "valueDateTime cannot be read here; accepted: true or false"),
        ),
        # An element that may change the meaning of this part.
        (
            "bed_rest",
            {"valueBoolean": True, "modifierExtension": [{"url": "http://x.example"}]},
            When(NINE),
            rejected("bed_rest", "true", "modifier", "carries modifierExtension, which may change its meaning", NINE),
        ),
        ("bed_rest", {"valueBoolean": True, "modifierExtension": []}, When(NINE), accepted("bed_rest", True, "true")),
        # Hours grow until now.
        (HOURS, {"valueQuantity": quantity(3, "h")}, When(NINE), accepted(HOURS, 4.0, "3 hours", ages=False)),
        (HOURS, {"valueQuantity": quantity(30, "min")}, When(NINE), accepted(HOURS, 1.5, "30 minutes", ages=False)),
        (
            HOURS,
            {"valueQuantity": quantity(3, "h")},
            When(TOO_LATE),
            accepted(HOURS, 3.0, "3 hours", TOO_LATE, ages=False),
        ),
        (HOURS, {"valueQuantity": quantity(3, "h")}, When(), rejected(HOURS, "3 hours", "no time", UNKNOWN_TIME)),
        (
            HOURS,
            {"valueQuantity": quantity(19_999, "h")},
            When(NINE - timedelta(hours=1)),
            rejected(
                HOURS,
                "19999 hours",
                "implausible",
                f"implausible: 2.5 years by now; {ACCEPTED_HOURS}",
                NINE - timedelta(hours=1),
            ),
        ),
        # Or are told by the moment itself, whenever that was noted.
        (
            HOURS,
            {"valueDateTime": "2026-01-31T07:30:00Z"},
            When(NINE),
            accepted(HOURS, 2.5, "2026-01-31T07:30:00Z", AT, ages=False),
        ),
        (HOURS, {"valueDateTime": "2026-01-31"}, When(), accepted(HOURS, 12.0, "2026-01-31", AT, ages=False)),
        (
            HOURS,
            {"valueDateTime": "soon"},
            When(NINE),
            rejected(HOURS, "soon", "malformed", f"malformed valueDateTime: {NO_DATE}", NINE),
        ),
        (
            HOURS,
            {"valueDateTime": "2026-01-31"},
            When(NINE, STALE_DAY),
            Rejected(HOURS, "2026-01-31", STALE_DAY, LABEL, NINE),
        ),
        (
            HOURS,
            {"valueDateTime": "2026-01-31T10:30:00Z"},
            When(NINE),
            rejected(
                HOURS, "2026-01-31T10:30:00Z", "implausible", f"implausible: -30 minutes by now; {ACCEPTED_HOURS}", AT
            ),
        ),
        # An age grows as well, unless it was noted today (here).
        (
            "age_years",
            {"valueQuantity": quantity(45, "a")},
            When(NINE),
            accepted("age_years", 45.0, "45 years", ages=False),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(45, "a")},
            When(MIDNIGHT),
            accepted("age_years", 45.0, "45 years", MIDNIGHT, ages=False),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(30, "a")},
            When(AT.replace(year=2025)),
            accepted("age_years", 30 + 365 / 365.2425, "30 years", AT.replace(year=2025), ages=False),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(40.5, "a")},
            When(AT + timedelta(days=1)),
            accepted("age_years", 40.5, "40.5 years", AT + timedelta(days=1), ages=False),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(17, "a")},
            When(AT - timedelta(days=73)),
            rejected(
                "age_years",
                "17 years",
                "coarse",
                "too coarse: an age from 17.2 to 18.2 years leaves open whether 18 years are reached",
                AT - timedelta(days=73),
            ),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(17.75, "a")},
            When(AT - timedelta(days=73)),
            rejected(
                "age_years",
                "17.75 years",
                "coarse",
                "too coarse: an age from 17.9 to 18.0 years leaves open whether 18 years are reached",
                AT - timedelta(days=73),
            ),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(17.5, "a")},
            When(AT - timedelta(days=73)),
            accepted("age_years", 17.5 + 73 / 365.2425, "17.5 years", AT - timedelta(days=73), ages=False),
        ),
        (
            "age_years",
            {"valueQuantity": quantity(45, "a")},
            When(),
            rejected("age_years", "45 years", "no time", "no time is recorded for the age"),
        ),
    ],
)
def test_a_fact_that_is_stated(fact: str, holder: Resource, when: When, expected: Any) -> None:
    (found,) = as_listed([reader().stated(holder, (Meaning(fact),), WHOLE, when, None)])
    assert found == (
        expected._replace(value=pytest.approx(expected.value))
        if fact == "age_years" and isinstance(expected, Accepted)
        else expected
    )


@pytest.mark.parametrize(
    ("holder", "written"),
    [
        ({"valueBoolean": True}, "true"),
        ({"valueBoolean": 7}, "7"),
        ({"valueBoolean": True, "modifierExtension": [{}]}, "true"),
        ({"valueBoolean": True, "dataAbsentReason": {}}, "true"),
    ],
)
def test_a_problem_of_the_whole_goes_before_those_of_the_value_and_the_time(holder: Resource, written: str) -> None:
    (found,) = as_listed([reader().stated(holder, (Meaning("bed_rest"),), WHOLE, When(NINE, STALE_DAY), NOT_SIGNED)])
    assert found == Rejected("bed_rest", written, NOT_SIGNED, LABEL, NINE)


NO_SUCH = f"{OWN} has no such code"
LISTS = "; `nuque facts` lists them"
NOTED = When(NINE)
S12, AIRWAY = concept("S12.9", ICD), concept("airway-threat")


def implied(*concepts: Any, when: When = NOTED, problem: RejectionReason | None = None, **more: Any) -> list[Any]:
    return as_listed(reader().implied(WHOLE, list(concepts), when, problem, **more))


@pytest.mark.parametrize(
    ("concepts", "expected"),
    [
        ([S12], [accepted("known_neck_injury", True, "S12.9")]),
        ([{**S12, "text": "broken neck"}], [accepted("known_neck_injury", True, "broken neck")]),
        (
            [{"coding": [{"system": LOINC, "code": "x"}, *S12["coding"]]}],
            [accepted("known_neck_injury", True, "x S12.9")],
        ),
        ([None, S12], [accepted("known_neck_injury", True, "S12.9")]),
        (
            [S12, AIRWAY],
            [accepted("known_neck_injury", True, "S12.9"), accepted("airway_threat", True, "airway-threat")],
        ),
        ([concept("x", LOINC)], []),
        ([{}], []),
        ([{"text": "x"}], []),
        # Datatypes of FHIR R4: CodeableConcept.coding is a list of Codings, text a string.
        (
            [{"coding": S12["coding"][0]}],
            [rejected(None, "a JSON object", "malformed", "malformed code: coding is not a list of Codings")],
        ),
        (
            [{"coding": ["S12.9"]}],
            [rejected(None, "a JSON object", "malformed", "malformed code: coding is not a list of Codings")],
        ),
        (
            [{"coding": [{"system": LOINC, "code": 7}]}],
            [rejected(None, "a JSON object", "malformed", "malformed code: system and code are texts")],
        ),
        (
            [{"text": ["Stridor"]}],
            [rejected(None, "a JSON object", "malformed", "malformed code: text is not a text")],
        ),
        ([{**S12, "text": ["Stridor"]}], [accepted("known_neck_injury", True, "S12.9")]),
        (["S12.9"], [rejected(None, "S12.9", "malformed", "malformed: code is not an object")]),
        (
            ["S12.9", S12],
            [
                rejected(None, "S12.9", "malformed", "malformed: code is not an object"),
                accepted("known_neck_injury", True, "S12.9"),
            ],
        ),
        ([[S12]], [rejected(None, "a JSON array", "malformed", "malformed: code is not an object")]),
        (
            [concept("ct-neck"), S12],
            [
                rejected("ct_neck", "ct-neck", "code", "the code alone does not say which value"),
                accepted("known_neck_injury", True, "S12.9"),
            ],
        ),
        (
            [concept("airway-thread"), S12],
            [
                rejected(None, "airway-thread", "code", f"{NO_SUCH}; did you mean airway-threat?{LISTS}"),
                accepted("known_neck_injury", True, "S12.9"),
            ],
        ),
    ],
)
def test_what_codes_say_by_being_there(concepts: list[Any], expected: list[Any]) -> None:
    assert implied(*concepts) == expected


def test_what_codes_say_is_refused_with_the_whole_or_its_time() -> None:
    assert implied(S12, problem=NOT_SIGNED) == [Rejected("known_neck_injury", "S12.9", NOT_SIGNED, LABEL, NINE)]
    assert implied(S12, when=When(NINE, STALE_DAY)) == [Rejected("known_neck_injury", "S12.9", STALE_DAY, LABEL, NINE)]
    assert implied(S12, when=When(NINE, STALE_DAY), problem=NOT_SIGNED)[0].why == NOT_SIGNED
    assert implied(S12, ages=False) == [accepted("known_neck_injury", True, "S12.9", ages=False)]
    assert implied(S12, when=When(NINE, latest=AT)) == [accepted("known_neck_injury", True, "S12.9", latest=AT)]


@pytest.mark.parametrize(
    ("code", "meanings", "trouble"),
    [
        (concept("bed-rest"), ["bed_rest"], None),
        (concept("neck-height"), ["neck_height_mm", "neck_height_fingers"], None),
        (concept("x", LOINC), [], None),
        (None, [], None),
        ("bed-rest", [], None),
        # A code that counts in an order alone.
        (concept("387713003", SNOMED), [], None),
        ({"coding": [*concept("387713003", SNOMED)["coding"], *concept("bed-rest")["coding"]]}, ["bed_rest"], None),
        # Our own codes that are none, or none any more.
        (concept("bed-rset"), [], rejected(None, "bed-rset", "code", f"{NO_SUCH}; did you mean bed-rest?{LISTS}")),
        (concept("bed_rest"), [], rejected(None, "bed_rest", "code", f"{NO_SUCH}; did you mean bed-rest?{LISTS}")),
        (
            concept("neck-circumference-mm"),
            [],
            rejected(None, "neck-circumference-mm", "code", f"{NO_SUCH}; did you mean neck-circumference?{LISTS}"),
        ),
        # The name of a fact is understood, however unlike it is to the code.
        (concept("age_years"), [], rejected(None, "age_years", "code", f"{NO_SUCH}; did you mean age?{LISTS}")),
        (concept("age-years"), [], rejected(None, "age-years", "code", f"{NO_SUCH}; did you mean age?{LISTS}")),
        (concept("0815"), [], rejected(None, "0815", "code", f"{NO_SUCH}{LISTS}")),
        # Worked out by rules, so nobody can have meant it.
        (concept("minor"), [], rejected(None, "minor", "code", f"{NO_SUCH}{LISTS}")),
        (
            {"coding": [*concept("x", LOINC)["coding"], *concept("bed-rset")["coding"], *concept("weihgt")["coding"]]},
            [],
            rejected(None, "bed-rset", "code", f"{NO_SUCH}; did you mean bed-rest?{LISTS}"),
        ),
        ({"coding": [*concept("bed-rset")["coding"], *concept("bed-rest")["coding"]]}, ["bed_rest"], None),
        (
            concept("neck-form"),
            [],
            rejected(
                "neck_form", "neck-form", "retired", "no longer used; record chin_to_shoulder_look and habitus instead"
            ),
        ),
        ({"coding": [*concept("neck-form")["coding"], *concept("bed-rest")["coding"]]}, ["bed_rest"], None),
        (concept("neck-form", LOINC), [], None),
    ],
)
def test_what_a_code_means(code: Any, meanings: list[str], trouble: Rejected | None) -> None:
    found, refused = reader().meanings({"code": code}, WHOLE)
    assert ([meaning.fact for meaning in found], refused) == (meanings, trouble)


def test_a_code_that_counts_in_an_order_is_read_there() -> None:
    found, refused = reader().meanings(
        {"code": concept("387713003", SNOMED)}, record(of_patient("ServiceRequest", "s"))
    )
    assert ([meaning.fact for meaning in found], refused) == (["surgery_planned"], None)


@pytest.mark.parametrize("holder", [None, "x", ["code"]])
def test_what_is_no_object_means_nothing(holder: Any) -> None:
    assert reader().meanings(holder, WHOLE) == ((), None)


def test_a_long_text_is_compared_with_the_codes_by_its_beginning() -> None:
    """Comparing takes the longer the more there is; 64 characters hold every code, and say what may have been meant."""
    written = "abnormal-airway-breathing-circulation" + "~" * 1_000
    (_, refused) = reader().meanings({"code": concept(written)}, WHOLE)
    assert refused is not None
    assert refused.why.text == f"{NO_SUCH}; did you mean abnormal-airway-breathing-circulation?{LISTS}"
