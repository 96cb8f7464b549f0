"""Element names and states: Observation of FHIR R4. The parts of the coma score: LOINC 9267-6, 9270-0 and 9268-4, of 9269-2."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from cds.fhir.reading.observation import ObservationReader
from cds.fhir.reading.patient import AgeQuestion
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from tests.cds.fhir.reading.sent import (
    AT,
    LOINC,
    SNOMED,
    Resource,
    as_listed,
    code_map,
    concept,
    observation,
    of_patient,
    quantity,
    record,
    ruleset,
)

NINE = datetime(2026, 1, 31, 9, tzinfo=UTC)
YES = {"valueBoolean": True}
BED = {"code": concept("bed-rest"), **YES}
ROUND = {"code": concept("neck-circumference"), "valueQuantity": quantity(400, "mm")}


def reader() -> ObservationReader:
    return ObservationReader(code_map(), AgeQuestion(ruleset()), AT)


def accepted(fact: str, value: Any, written: str, identity: str = "o", recorded: datetime | None = NINE) -> Accepted:
    return Accepted(fact, value, written, f"label of Observation/{identity}", f"Observation/{identity}", recorded)


def rejected(
    fact: str | None, written: str, kind: Any, reason: str, identity: str = "o", recorded: datetime | None = NINE
) -> Rejected:
    return Rejected(fact, written, RejectionReason(kind, reason), f"label of Observation/{identity}", recorded)


IN_BED = accepted("bed_rest", True, "true")
WIDE = accepted("neck_circumference_mm", 400.0, "400 mm")
SAID_TO_LACK = "malformed: a value beside dataAbsentReason, which says that there is none"
NO_CODE, NO_LIST = "malformed: no code", "malformed code: coding is not a list of Codings"
NO_TEXTS = "malformed code: system and code are texts"
A_FINDING = {
    "code": concept("404684003", SNOMED),
    "valueCodeableConcept": concept("S12.9", "http://hl7.org/fhir/sid/icd-10-cm"),
}


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        (BED, [IN_BED]),
        # The value of the whole, and of each component.
        ({**BED, "component": [ROUND]}, [IN_BED, WIDE]),
        ({"code": concept("neck-measurements", LOINC), "component": [ROUND, BED]}, [WIDE, IN_BED]),
        ({"code": concept("bed-rest"), "component": [ROUND]}, [WIDE]),
        (
            {"code": concept("bed-rest"), "component": []},
            [rejected("bed_rest", "no value", "no value", "no value is recorded")],
        ),
        ({"code": concept("x", LOINC), "valueBoolean": True, "component": []}, []),
        # A part whose code cannot be read.
        ({"code": None}, [rejected(None, "a JSON object", "malformed", NO_CODE)]),
        ({"code": {}}, [rejected(None, "a JSON object", "malformed", NO_CODE)]),
        ({"code": "bed-rest"}, [rejected(None, "a JSON object", "malformed", "malformed: code is not an object")]),
        ({**BED, "component": ["x"]}, [IN_BED, rejected(None, "x", "malformed", NO_CODE)]),
        ({"code": {"text": "rest in bed"}}, []),
        ({"code": {"coding": {}}}, [rejected(None, "a JSON object", "malformed", NO_LIST)]),
        ({"code": {"coding": ["x"]}}, [rejected(None, "a JSON object", "malformed", NO_LIST)]),
        ({"code": {"coding": [{}]}}, []),
        (
            {"code": {"coding": [{"system": LOINC, "code": 7}]}},
            [rejected(None, "a JSON object", "malformed", NO_TEXTS)],
        ),
        ({"code": {"coding": [{"system": 7, "code": "7"}]}}, [rejected(None, "a JSON object", "malformed", NO_TEXTS)]),
        ({"code": {"coding": [{"code": "7"}, {"system": LOINC}]}}, []),
        # What was found is the value, where the question is just that; not in a component.
        (A_FINDING, [accepted("known_neck_injury", True, "S12.9")]),
        ({"code": concept("x", LOINC), "component": [A_FINDING]}, []),
        # The state and the time are those of the whole.
        ({**BED, "status": "corrected"}, [IN_BED]),
        ({**BED, "status": "cancelled"}, [rejected("bed_rest", "true", "status", "status is cancelled")]),
        ({"component": [BED], "status": None}, [rejected("bed_rest", "true", "malformed", "malformed: no status")]),
        (
            {**A_FINDING, "status": "cancelled"},
            [rejected("known_neck_injury", "S12.9", "status", "status is cancelled")],
        ),
        (
            {**BED, "effectiveDateTime": None, "issued": "2026-01-31T08:00:00Z"},
            [IN_BED._replace(recorded=NINE - timedelta(hours=1))],
        ),
        ({**BED, "effectiveDateTime": None, "effectiveInstant": "2026-01-31T09:00:00Z"}, [IN_BED]),
        (
            {
                **BED,
                "effectiveDateTime": None,
                "effectiveTiming": {"event": ["2026-01-31"]},
                "issued": "2026-01-31T08:00:00Z",
            },
            [
                rejected(
                    "bed_rest",
                    "true",
                    "no time",
                    "effectiveTiming is not read; give a moment or a period",
                    recorded=None,
                )
            ],
        ),
        (
            {"code": concept("bed-rest"), "component": [{"code": concept("bed-rset"), **YES}]},
            [
                rejected(
                    None,
                    "bed-rset",
                    "code",
                    "https://nuque.example.org/fhir/CodeSystem/facts has no such code; did you mean bed-rest?; "
                    "`nuque facts` lists them",
                    recorded=None,
                )
            ],
        ),
    ],
)
def test_the_facts_of_an_observation_and_its_components(fields: Resource, expected: list[Any]) -> None:
    sent = {**observation("o", "none"), **fields}
    assert as_listed(reader().observation(record(sent))) == expected


STRIDOR = {"code": concept("8251-0", LOINC), "valueString": "stridor"}
RECENT = (AT - timedelta(hours=24)).isoformat()
OLDER = (AT - timedelta(hours=24, seconds=1)).isoformat()


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, True),
        ({"effectiveDateTime": None}, True),
        ({"effectiveDateTime": RECENT}, True),
        ({"effectiveDateTime": OLDER}, False),
        ({"effectiveDateTime": "2026-01-30"}, True),  # The last moment of that day is not so long ago.
        ({"effectiveDateTime": "2026-01-29"}, False),
        ({"effectiveDateTime": None, "effectivePeriod": {"start": "2026-01-01"}}, True),
        ({"effectiveDateTime": None, "issued": OLDER}, False),
        ({"effectiveDateTime": "2026-02-03"}, True),
        ({"effectiveDateTime": "soon"}, True),
        ({"status": "amended"}, True),
        ({"status": "preliminary"}, True),
        ({"status": "Final"}, True),
        ({"status": None}, True),
        ({"status": "cancelled"}, False),
        ({"status": "entered-in-error"}, False),
        ({"valueString": "no stridor"}, False),
        ({"valueString": "soft"}, False),
    ],
)
def test_what_was_found_of_late_is_to_be_read(fields: Resource, expected: bool) -> None:
    assert reader().is_to_be_read(record({**observation("o", "none"), **STRIDOR, **fields})) is expected


EYES, VERBAL, MOTOR = "9267-6", "9270-0", "9268-4"


def part(code: str, points: Any, identity: str = "o", **fields: Any) -> Resource:
    value = fields if points is None else {"valueInteger": points, **fields}
    return observation(identity, code, LOINC, **value)


def parts(*points: Any, **fields: Any) -> list[Resource]:
    return [part(code, one, code, **fields) for code, one in zip((EYES, VERBAL, MOTOR), points, strict=False)]


def score(value: int, written: str, identity: str = EYES, recorded: datetime = NINE) -> Accepted:
    return accepted("glasgow_coma_score", value, written, identity, recorded)


def no_score(written: str, kind: Any, reason: str, identity: str = EYES) -> Rejected:
    return rejected("glasgow_coma_score", written, kind, reason, identity)


def unsigned_score(written: str) -> Rejected:
    why = RejectionReason("status", "status is preliminary", unsettled=True)
    return no_score(written, "status", "")._replace(why=why)


def undated_score(written: str) -> Rejected:
    return no_score(written, "no time", "no time is recorded for the parts of the score")._replace(recorded=None)


EARLIER = {"effectiveDateTime": "2026-01-31T08:00:00Z"}
TWICE = "a part of the score has two values at one moment; none is used"


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (parts(2, 3, 5), [score(10, "2 + 3 + 5")]),
        (parts(2, 3, 5)[::-1], [score(10, "2 + 3 + 5", MOTOR)]),
        (parts(4, 5, 6), [score(15, "4 + 5 + 6")]),
        (parts(1, 1, 1), [score(3, "1 + 1 + 1")]),
        ([*parts(2, 3, 5), part(EYES, 2, "again")], [score(10, "2 + 3 + 5")]),
        ([observation("p", "35088-4", LOINC, component=parts(1, 2, 4))], [score(7, "1 + 2 + 4", "p")]),
        ([part(EYES, 1, "p", component=parts(1, 2, 4)[1:])], [score(7, "1 + 2 + 4", "p")]),
        ([observation("p", "35088-4", LOINC, component=["x", *parts(1, 2, 4)])], [score(7, "1 + 2 + 4", "p")]),
        # Each moment has a score of its own.
        (
            [*parts(2, 3, 5), *parts(1, 2, 4, **EARLIER)],
            [score(10, "2 + 3 + 5"), score(7, "1 + 2 + 4", recorded=NINE - timedelta(hours=1))],
        ),
        ([*parts(2, 3, 5), observation("b", "bed-rest", **YES)], [score(10, "2 + 3 + 5")]),
        ([observation("b", "bed-rest", **YES), *parts(2, 3, 5)], [score(10, "2 + 3 + 5")]),
        # What makes no score.
        (parts(2, 3), [no_score("2 + 3", "incomplete", "2 of 3 parts of the score, and no total")]),
        (parts(2), [no_score("2", "incomplete", "1 of 3 parts of the score, and no total")]),
        ([*parts(2, 3, 5), part(VERBAL, 1, "x")], [no_score("2 + 1 or 3 + 5", "contradiction", TWICE)]),
        ([*parts(2, 3), part(VERBAL, 1, "x")], [no_score("2 + 1 or 3", "contradiction", TWICE)]),
        (
            parts(15, 3, 5),
            [no_score("15 + 3 + 5", "implausible", "implausible; accepted: a whole number from 3 to 15 points")],
        ),
        # Not signed yet, and without a time.
        (parts(2, 3, 5, status="preliminary"), [unsigned_score("2 + 3 + 5")]),
        (parts(2, 3, status="preliminary"), [unsigned_score("2 + 3")]),
        (parts(2, 3, 5, effectiveDateTime=None), [undated_score("2 + 3 + 5")]),
        (
            parts(2, 3, 5, effectiveDateTime="2026-02-03"),
            [
                no_score(
                    "2 + 3 + 5", "future", "dated in the future (effectiveDateTime 2026-02-03T00:00:00+00:00)"
                )._replace(recorded=datetime(2026, 2, 3, tzinfo=UTC))
            ],
        ),
        (parts(2, 3, 5, status=None), [no_score("2 + 3 + 5", "malformed", "malformed: no status")]),
        # Each part says that there is none (R4, obs-6), or carries what may change it; one alone is lacking.
        (parts(2, 3, 5, dataAbsentReason={}), [no_score("2 + 3 + 5", "malformed", SAID_TO_LACK)]),
        (
            [*parts(2, 3), part(MOTOR, 5, "m", dataAbsentReason={"text": "not performed"})],
            [no_score("2 + 3", "incomplete", "2 of 3 parts of the score, and no total")],
        ),
        (
            [observation("p", "35088-4", LOINC, component=parts(1, 2, 4, modifierExtension=[{}]))],
            [no_score("1 + 2 + 4", "modifier", "carries modifierExtension, which may change its meaning", "p")],
        ),
        # What does not count at all.
        (parts(2, 3, 5, status="cancelled"), []),
        (parts(2, 3, 5, status="entered-in-error"), []),
        (parts(2, 3, 5, modifierExtension=[{"url": "http://x.example"}]), []),
        (parts(2, 3, 5, implicitRules="http://x.example"), []),
        ([observation("b", "bed-rest", **YES)], []),
        ([*parts(2, 3, 5, status="preliminary")[:1], *parts(2, 3, 5)], [score(10, "2 + 3 + 5")]),
        ([*parts(1, 1, 1, implicitRules="http://x.example")[:1], *parts(2, 3, 5)], [score(10, "2 + 3 + 5")]),
        ([], []),
    ],
)
def test_the_parts_of_a_score_are_added_up(sent: list[Resource], expected: list[Any]) -> None:
    assert as_listed(reader().summed(map(record, sent))) == expected


@pytest.mark.parametrize(
    ("sent", "says"),
    [
        (parts(2, 3, 5, status="preliminary"), 10),
        (parts(2, 3), None),
        (parts(4, 3), None),
        ([*parts(2, 3, 5), part(VERBAL, 1, "x")], None),
        (parts(15, 3, 5), None),
        # Whatever part is there has its best answer, so nothing speaks of a coma (LOINC 9267-6: 4, 9270-0: 5, 9268-4: 6).
        (parts(4, 5), 15),
        (parts(4), 15),
    ],
)
def test_what_a_score_that_is_not_used_says_for_all_that(sent: list[Resource], says: int | None) -> None:
    (found,) = reader().summed(map(record, sent))
    assert isinstance(found, Rejected)
    assert found.says == says


def answer(*codes: str, system: str = LOINC) -> Resource:
    return {"valueCodeableConcept": {"coding": [{"system": system, "code": code} for code in codes]}}


@pytest.mark.parametrize(
    ("value", "points"),
    [
        ({"valueInteger": 1}, 1),
        ({"valueInteger": 15}, 15),
        ({"valueInteger": 0}, None),
        ({"valueInteger": 16}, None),
        ({"valueInteger": True}, None),
        ({"valueInteger": "4"}, None),
        ({"valueDecimal": 4.0}, 4),
        ({"valueDecimal": 4.5}, None),
        ({"valueString": "4"}, 4),
        ({"valueString": "4T"}, None),
        ({}, None),
        # A quantity that counts, in UCUM or without a unit that converts anything.
        ({"valueQuantity": quantity(4, "{score}")}, 4),
        ({"valueQuantity": quantity(4, "1")}, 4),
        ({"valueQuantity": quantity(4, "{points}")}, 4),
        ({"valueQuantity": quantity(4, "%")}, None),
        ({"valueQuantity": {"value": 4}}, 4),
        ({"valueQuantity": {"value": 4, "unit": "points"}}, None),
        ({"valueQuantity": {**quantity(4, "{score}"), "comparator": "<"}}, None),
        ({"valueQuantity": quantity("4", "{score}")}, None),
        # The answers of the normative list of LOINC, to this question.
        (answer("LA6555-2"), 3),
        (answer("LA6555-2", "LA6555-2"), 3),
        (answer("x", "LA6555-2"), 3),
        (answer("LA6555-2", "LA6556-0"), None),
        (answer("LA6567-7"), None),
        (answer("LA6555-2", system=SNOMED), None),
        ({**answer("LA6555-2"), "valueInteger": 2}, 3),
        ({"valueInteger": 4, "modifierExtension": [{"url": "http://x.example"}]}, None),
    ],
)
def test_the_points_of_a_part(value: Resource, points: int | None) -> None:
    """In a component, which may carry a modifier of its own."""
    others = parts(None, 3, 5)[1:]
    whole = observation("p", "35088-4", LOINC, component=[{"code": concept(EYES, LOINC), **value}, *others])
    (found,) = reader().summed([record(whole)])
    written = "3 + 5" if points is None else f"{points} + 3 + 5"
    assert (found.written if isinstance(found, Accepted) else found.value) == written


@pytest.mark.parametrize(
    ("codings", "counts"),
    [
        ([EYES], True),
        ([EYES, EYES], True),
        (["x", EYES], True),
        ([EYES, VERBAL], False),
        (["x"], False),
        ([], False),
    ],
)
def test_a_part_is_told_by_codes_that_agree(codings: list[str], counts: bool) -> None:
    code = {"coding": [{"system": LOINC, "code": one} for one in codings]}
    sent = {**of_patient("Observation", "p"), "status": "final", "issued": "2026-01-31T09:00:00Z"}
    found = list(reader().summed([record({**sent, "code": code, "valueInteger": 2})]))
    assert (
        found
        == [rejected("glasgow_coma_score", "2", "incomplete", "1 of 3 parts of the score, and no total", "p")] * counts
    )
