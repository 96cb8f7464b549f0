"""Element names and states: Condition, Procedure and ServiceRequest of FHIR R4; ICD-10-CM as the code map has it."""

from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from cds.fhir.reading.coded_records import CodedRecordReader
from cds.fhir.reading.patient import AgeQuestion
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from tests.cds.fhir.reading.sent import (
    AT,
    ICD,
    LOINC,
    SNOMED,
    Resource,
    as_listed,
    code_map,
    concept,
    of_patient,
    record,
    ruleset,
)

EAST = datetime(2026, 1, 31, 12, tzinfo=timezone(timedelta(hours=2)))
"""The same moment as AT, where the clocks are two hours ahead."""
NINE = datetime(2026, 1, 31, 9, tzinfo=UTC)
MIDNIGHT = datetime(2026, 1, 30, 22, tzinfo=UTC)
"""When 2026-01-31 began in the east."""
NO_DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"
BROKEN, BRITTLE, SCAN = concept("S12.9", ICD), concept("M81.0", ICD), concept("ct-neck")
RECORDED = {"recordedDate": "2026-01-31T09:00:00Z"}


def reader() -> CodedRecordReader:
    return CodedRecordReader(code_map(), AgeQuestion(ruleset()), EAST)


def state(code: Any) -> Resource:
    return {"coding": [{"code": code}]}


def accepted(
    fact: str, value: Any, written: str, recorded: datetime | None = NINE, *, of: str = "Condition", **more: Any
) -> Accepted:
    return Accepted(fact, value, written, f"label of {of}/c", f"{of}/c", recorded, **more)


def rejected(
    fact: str | None, written: str, why: RejectionReason, recorded: datetime | None = NINE, of: str = "Condition"
) -> Rejected:
    return Rejected(fact, written, why, f"label of {of}/c", recorded)


def because(kind: Any, reason: str, *, unsettled: bool = False) -> RejectionReason:
    return RejectionReason(kind, reason, unsettled)


NECK = accepted("known_neck_injury", True, "S12.9")
BONES = accepted("osteoporosis", True, "M81.0")


def verified(code: Any) -> Resource:
    return {"verificationStatus": state(code)}


def clinically(code: Any) -> Resource:
    return {"clinicalStatus": state(code)}


GONE = because("status", "it has abated, which says nothing about now")


@pytest.mark.parametrize(
    ("code", "fields", "expected"),
    [
        (BROKEN, {}, [NECK]),
        (concept("x", LOINC), {}, []),
        # The time: when it was recorded, else when it began; without one, now, where it is said to be active.
        (BROKEN, {"recordedDate": None, "onsetDateTime": "2026-01-31T09:00:00Z"}, [NECK]),
        (BROKEN, {"recordedDate": None, "onsetPeriod": {"start": "2026-01-31T09:00:00Z"}}, [NECK]),
        # R4 2.6.0.3, choice of data types: one of them at the most.
        (
            BROKEN,
            {"onsetDateTime": "2026-01-01", "onsetPeriod": {"start": "2026"}},
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because("malformed", "malformed: more than one onset[x] (onsetDateTime, onsetPeriod)"),
                    None,
                )
            ],
        ),
        (
            BROKEN,
            {"recordedDate": None, "onsetDateTime": "2026-01-31T09:00:00Z", "onsetString": "today"},
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because("malformed", "malformed: more than one onset[x] (onsetDateTime, onsetString)"),
                    None,
                )
            ],
        ),
        (BROKEN, {"onsetDateTime": "2026-01-01", "onsetPeriod": None}, [NECK]),
        (BROKEN, {"recordedDate": "2026-01-31"}, [NECK._replace(recorded=MIDNIGHT, latest=AT)]),
        (BROKEN, {"recordedDate": None}, [NECK._replace(recorded=None)]),
        (BROKEN, {"recordedDate": None, **clinically("active")}, [NECK._replace(recorded=None, latest=AT)]),
        (BROKEN, {"recordedDate": None, **clinically("recurrence")}, [NECK._replace(recorded=None, latest=AT)]),
        (BROKEN, clinically("active"), [NECK]),
        (
            BROKEN,
            {"recordedDate": "soon", **clinically("active")},
            [
                rejected(
                    "known_neck_injury", "S12.9", because("malformed", f"malformed recordedDate soon: {NO_DATE}"), None
                )
            ],
        ),
        # The clinical state.
        (BROKEN, clinically("relapse"), [NECK]),
        (
            BROKEN,
            clinically("resolved"),
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because("status", "clinicalStatus is resolved, which says nothing about now"),
                )
            ],
        ),
        (
            BROKEN,
            {"clinicalStatus": "active"},
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because(
                        "status", "clinicalStatus is malformed, so whether it holds cannot be told", unsettled=True
                    ),
                )
            ],
        ),
        (BROKEN, {"clinicalStatus": {"coding": [{}, {"code": ""}, {"code": "active"}]}}, [NECK]),
        (BROKEN, {"abatementDateTime": "2026-01-30"}, [rejected("known_neck_injury", "S12.9", GONE)]),
        (BROKEN, {"abatementString": "gone"}, [rejected("known_neck_injury", "S12.9", GONE)]),
        (BROKEN, {"abatementDateTime": "2026-01-30", **clinically("active")}, [NECK]),
        # How sure it is.
        (BROKEN, verified("confirmed"), [NECK]),
        (
            BROKEN,
            verified("entered-in-error"),
            [rejected("known_neck_injury", "S12.9", because("status", "verificationStatus is entered-in-error"))],
        ),
        (
            BROKEN,
            {"verificationStatus": "confirmed"},
            [
                rejected(
                    "known_neck_injury", "S12.9", because("status", "verificationStatus is malformed", unsettled=True)
                )
            ],
        ),
        (
            BROKEN,
            {"verificationStatus": "confirmed", **clinically("resolved")},
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because("status", "clinicalStatus is resolved, which says nothing about now"),
                )
            ],
        ),
        (
            BROKEN,
            {**verified("entered-in-error"), **clinically("resolved"), "abatementAge": {}},
            [rejected("known_neck_injury", "S12.9", because("status", "verificationStatus is entered-in-error"))],
        ),
        # Suspected is a danger, and nothing else.
        (BROKEN, verified("provisional"), [NECK._replace(written="suspected (provisional): S12.9")]),
        (BROKEN, verified("unconfirmed"), [NECK._replace(written="suspected (unconfirmed): S12.9")]),
        (BROKEN, verified("differential"), [NECK._replace(written="suspected (differential): S12.9")]),
        (
            BRITTLE,
            verified("provisional"),
            [rejected("osteoporosis", "M81.0", because("status", "verificationStatus is provisional"))],
        ),
        (
            BROKEN,
            {**verified("provisional"), **clinically("resolved")},
            [
                rejected(
                    "known_neck_injury",
                    "S12.9",
                    because("status", "clinicalStatus is resolved, which says nothing about now"),
                )
            ],
        ),
        # Refuted says no, below everything else, whatever the rest says.
        (BROKEN, verified("refuted"), [accepted("known_neck_injury", False, "refuted: S12.9", standing=-1)]),
        (BRITTLE, verified("refuted"), [accepted("osteoporosis", False, "refuted: M81.0", standing=-1)]),
        (
            BROKEN,
            {**verified("refuted"), **clinically("resolved")},
            [accepted("known_neck_injury", False, "refuted: S12.9", standing=-1)],
        ),
        (
            BROKEN,
            {**verified("refuted"), "abatementString": "x"},
            [accepted("known_neck_injury", False, "refuted: S12.9", standing=-1)],
        ),
        (
            BROKEN,
            {**verified("refuted"), "recordedDate": "2026-01-31"},
            [accepted("known_neck_injury", False, "refuted: S12.9", MIDNIGHT, standing=-1)],
        ),
        (
            BROKEN,
            {**verified("refuted"), **clinically("active"), "recordedDate": None},
            [accepted("known_neck_injury", False, "refuted: S12.9", None, standing=-1)],
        ),
        (
            SCAN,
            verified("refuted"),
            [rejected("ct_neck", "ct-neck", because("code", "the code alone does not say which value"), None)],
        ),
        # A code that says one of several answers: that it is another is not said.
        (concept("R40.20", ICD), {}, [accepted("responsiveness", "unresponsive", "R40.20")]),
        (concept("R40.20", ICD), verified("refuted"), []),
    ],
)
def test_a_diagnosis(code: Resource, fields: Resource, expected: list[Any]) -> None:
    sent = of_patient("Condition", "c", **{"code": code, **RECORDED, **fields})
    assert as_listed(reader().condition(record(sent))) == expected


DAYS_90 = (AT - timedelta(days=90)).isoformat()
LONGER = (AT - timedelta(days=90, seconds=1)).isoformat()


@pytest.mark.parametrize(
    ("kind", "fields", "expected"),
    [
        ("Condition", {}, True),
        ("Condition", clinically("active"), True),
        ("Condition", clinically("relapse"), True),
        ("Condition", clinically("resolved"), False),
        ("Condition", clinically("remission"), False),
        ("Condition", clinically("inactive"), False),
        ("Condition", {"clinicalStatus": "active"}, True),
        ("Condition", {"clinicalStatus": {"text": "resolved"}}, True),
        ("Condition", {"verificationStatus": "confirmed"}, True),
        ("Condition", {"abatementAge": {}}, False),
        ("Condition", {"abatementAge": {}, **clinically("active")}, True),
        ("Condition", verified("confirmed"), True),
        ("Condition", verified("provisional"), True),
        ("Condition", verified("refuted"), False),
        ("Condition", {**verified("refuted"), **clinically("active")}, False),
        ("Condition", verified("entered-in-error"), False),
        ("Procedure", {"status": "completed"}, True),
        ("Procedure", {"status": "in-progress", "performedDateTime": "soon"}, True),
        ("Procedure", {"status": "not-done"}, False),
        ("Procedure", {}, True),
        ("Procedure", {"status": "Completed"}, True),
        ("Procedure", {"status": "unknown"}, True),
        ("Procedure", {"status": "unknown", "performedDateTime": LONGER}, False),
        ("Procedure", {"status": "completed", "performedDateTime": DAYS_90}, True),
        ("Procedure", {"status": "completed", "performedDateTime": LONGER}, False),
        ("Procedure", {"status": "completed", "performedPeriod": {"start": "2020-01-01", "end": DAYS_90}}, True),
        ("Procedure", {"status": "completed", "performedPeriod": {"start": LONGER}}, False),
        # Which of two times counts cannot be told.
        (
            "Procedure",
            {"status": "completed", "performedDateTime": LONGER, "performedPeriod": {"start": DAYS_90}},
            True,
        ),
        ("ServiceRequest", {"status": "completed"}, False),
    ],
)
def test_whether_a_diagnosis_or_an_operation_may_bear_on_now(kind: str, fields: Resource, expected: bool) -> None:
    assert reader().may_hold(record(of_patient(kind, "c", **fields))) is expected


FUSED = accepted("previous_neck_fusion", True, "5601008", of="Procedure")


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, FUSED),
        ({"performedDateTime": None, "performedPeriod": {"start": "2020-01-01", "end": "2026-01-31T09:00:00Z"}}, FUSED),
        (
            {"performedPeriod": {"start": "2020"}},
            rejected(
                "previous_neck_fusion",
                "5601008",
                because("malformed", "malformed: more than one performed[x] (performedDateTime, performedPeriod)"),
                None,
                of="Procedure",
            ),
        ),
        (
            {"status": "in-progress", "performedDateTime": None, "performedPeriod": {"start": "2026-01-31T09:00:00Z"}},
            FUSED._replace(latest=AT),
        ),
        ({"performedDateTime": None}, FUSED._replace(recorded=None)),
        (
            {"status": "not-done"},
            rejected("previous_neck_fusion", "5601008", because("status", "status is not-done"), of="Procedure"),
        ),
        (
            {"status": None},
            rejected("previous_neck_fusion", "5601008", because("malformed", "malformed: no status"), of="Procedure"),
        ),
    ],
)
def test_a_procedure(fields: Resource, expected: Any) -> None:
    done = {"code": concept("5601008", SNOMED), "status": "completed", "performedDateTime": "2026-01-31T09:00:00Z"}
    assert as_listed(reader().procedure(record(of_patient("Procedure", "c", **{**done, **fields})))) == [expected]


def test_a_procedure_by_a_mapped_code_says_what_the_code_says_and_no_more() -> None:
    code = {**concept("5601008", SNOMED), "text": "Fusion, then application of rigid cervical collar"}
    done = {"code": code, "status": "completed", "performedDateTime": "2026-01-31T09:00:00Z"}
    (only,) = reader().procedure(record(of_patient("Procedure", "c", **done)))
    assert isinstance(only, Accepted) and (only.fact, only.value) == ("previous_neck_fusion", True)


def test_an_accident_of_no_recorded_time_is_refused_under_its_own_label() -> None:
    fallen = of_patient("Condition", "c", code=concept("W19", ICD), category=[concept("problem-list-item")])
    why = because("no time", "no time is recorded, so it may be older than what is of now")
    assert as_listed(reader().condition(record(fallen))) == [rejected("blunt_injury", "W19", why, None)]


FELL = {"code": concept("W06.XXXA", ICD)}
SINCE = "2026-01-31T07:00:00Z"


@pytest.mark.parametrize(
    ("fields", "hours"),
    [
        ({"onsetDateTime": SINCE, **RECORDED}, 3),
        ({"onsetDateTime": SINCE}, 3),
        ({"onsetDateTime": SINCE, **RECORDED, **clinically("active")}, 3),
        # A form that fills in both, or a note from before: when it happened is not said.
        ({"onsetDateTime": SINCE, "recordedDate": SINCE}, None),
        ({"onsetDateTime": SINCE, "recordedDate": "2026-01-31T06:59:59Z"}, None),
        # A day is no moment.
        ({"onsetDateTime": "2026-01-30", **RECORDED}, None),
        ({"onsetPeriod": {"start": SINCE}, **RECORDED}, None),
        (RECORDED, None),
        # What is no fall that stands.
        ({"onsetDateTime": SINCE, **RECORDED, **verified("refuted")}, None),
        ({"onsetDateTime": SINCE, **RECORDED, **verified("provisional")}, None),
        ({"onsetDateTime": SINCE, **RECORDED, **clinically("resolved")}, None),
        ({"onsetDateTime": "2026-01-20T07:00:00Z", **RECORDED}, None),
        ({"onsetDateTime": SINCE, **RECORDED, "code": BROKEN}, None),
        # Clocks differ.
        ({"onsetDateTime": "2026-01-31T10:04:00Z", "recordedDate": "2026-01-31T10:05:00Z"}, 0),
    ],
)
def test_the_onset_of_an_injury_tells_the_hours_since_it(fields: Resource, hours: float | None) -> None:
    """The code of a fall from bed: ICD-10-CM, W06, from memory."""
    found = reader().condition(record(of_patient("Condition", "c", **{**FELL, **fields})))
    told = [one for one in found if isinstance(one, Accepted) and one.fact == "hours_since_injury"]
    assert [one.value for one in told] == ([] if hours is None else [hours])


def test_the_hours_since_an_injury_are_told_once_and_stand_where_it_was_recorded() -> None:
    twice = {"code": {"coding": [*FELL["code"]["coding"], *concept("T71.162A", ICD)["coding"]]}}
    fell = of_patient("Condition", "c", **twice, onsetDateTime=SINCE, **RECORDED)
    found = [one for one in as_listed(reader().condition(record(fell))) if one.fact == "hours_since_injury"]
    assert found == [accepted("hours_since_injury", 3.0, f"W06.XXXA T71.162A, {SINCE}", ages=False)]


PLANNED = accepted("surgery_planned", True, "387713003", of="ServiceRequest")


def no_order(kind: Any, reason: str, *, unsettled: bool = False, recorded: datetime | None = NINE) -> Rejected:
    return rejected(
        "surgery_planned", "387713003", because(kind, reason, unsettled=unsettled), recorded, "ServiceRequest"
    )


IN_DOUBT = "malformed: doNotPerform is neither true nor false, so nobody can say whether it is to be done"


def due(written: Any) -> Resource:
    return {"occurrenceDateTime": written}


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, [PLANNED]),
        ({"code": {"text": "x"}, "category": [{"text": "y"}, concept("387713003", SNOMED)]}, [PLANNED]),
        ({"category": [concept("387713003", SNOMED)]}, [PLANNED, PLANNED]),
        ({"authoredOn": None}, [PLANNED._replace(recorded=None)]),
        *[
            ({"intent": intent}, [PLANNED])
            for intent in ("original-order", "reflex-order", "filler-order", "instance-order")
        ],
        ({"intent": "plan"}, [PLANNED]),
        ({"intent": "directive"}, [PLANNED]),
        ({"doNotPerform": False}, [PLANNED]),
        ({"intent": "proposal"}, [no_order("status", "intent is proposal")]),
        ({"intent": None}, [no_order("status", "intent is null")]),
        ({"doNotPerform": True}, [no_order("status", "orders that it not be done")]),
        ({"doNotPerform": "no", "intent": "option"}, [no_order("malformed", IN_DOUBT)]),
        ({"doNotPerform": "true"}, [no_order("malformed", IN_DOUBT)]),
        ({"doNotPerform": 0}, [no_order("malformed", IN_DOUBT)]),
        ({"_doNotPerform": {"extension": [{"valueCode": "unknown"}]}}, [no_order("malformed", IN_DOUBT)]),
        ({"_doNotPerform": {"id": "x"}, "doNotPerform": False}, [PLANNED]),
        ({"status": "revoked", "doNotPerform": True, "intent": "option"}, [no_order("status", "status is revoked")]),
        ({"status": None}, [no_order("malformed", "malformed: no status")]),
        # What is still to come does not grow old; what was due is over.
        (due("2026-01-31T10:00:00Z"), [PLANNED._replace(ages=False)]),
        (due("2026-01-31T09:59:59Z"), [no_order("status", "was due by 2026-01-31 09:59")]),
        (due("2026-01-31"), [PLANNED._replace(ages=False)]),
        (due("2026-01-30"), [no_order("status", "was due by 2026-01-31 00:00")]),
        ({"occurrencePeriod": {"start": "2020", "end": "2026-02-03"}}, [PLANNED._replace(ages=False)]),
        (
            {"occurrencePeriod": {"end": "2026-03-03"}, **due("2026-02-03")},
            [no_order("malformed", "malformed: more than one occurrence[x] (occurrenceDateTime, occurrencePeriod)")],
        ),
        (
            {"occurrencePeriod": {"start": "2026-03-03", "end": "2026-02-03"}},
            [no_order("malformed", "malformed occurrencePeriod: it ends before it starts")],
        ),
        ({"occurrencePeriod": {"start": "2026-02-03"}}, [PLANNED]),
        ({"occurrencePeriod": "2026"}, [PLANNED]),
        (due("soon"), [no_order("malformed", f"malformed occurrence soon: {NO_DATE}")]),
        (due(7), [no_order("malformed", f"malformed occurrence 7: {NO_DATE}")]),
        ({**due("2026-01-01"), "intent": "option"}, [no_order("status", "intent is option")]),
        ({**due("soon"), "intent": "option"}, [no_order("status", "intent is option")]),
        ({"authoredOn": "soon"}, [no_order("malformed", f"malformed authoredOn soon: {NO_DATE}", recorded=None)]),
    ],
)
def test_an_order(fields: Resource, expected: list[Any]) -> None:
    order = {
        "code": concept("387713003", SNOMED),
        "status": "active",
        "intent": "order",
        "authoredOn": "2026-01-31T09:00:00Z",
    }
    assert (
        as_listed(reader().service_request(record(of_patient("ServiceRequest", "c", **{**order, **fields}))))
        == expected
    )
