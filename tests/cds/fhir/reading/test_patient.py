"""Element names and administrative genders: Patient of FHIR R4."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from cds.fhir.reading.patient import AgeQuestion, display_name, identity_doubts, is_deceased, read_patient
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from rules.model.conditions import Compare
from tests.cds.fhir.reading.sent import AT, Resource, code_map, record, ruleset

EAST = datetime(2026, 2, 1, 1, tzinfo=timezone(timedelta(hours=3)))
"""Late on 2026-01-31 at Greenwich, and the first of February here."""
LABEL, REFERENCE = "label of Patient/p", "Patient/p"
NO_DATE = "not a FHIR date (YYYY, YYYY-MM or YYYY-MM-DD)"


def question(**changes: Any) -> AgeQuestion:
    """With other ``comparisons``, or another answer to ``used_in_arithmetic``, than those of the shipped rules."""
    asked = AgeQuestion(ruleset())
    asked.__dict__.update(changes)
    return asked


def found(at: datetime = AT, **fields: Any) -> list[Accepted | Rejected]:
    patient = record({"resourceType": "Patient", "id": "p", **fields})
    return list(read_patient(patient, code_map(), AgeQuestion(ruleset()), at))


def age(value: float, written: str) -> Accepted:
    return Accepted("age_years", value, f"born {written}", LABEL, REFERENCE, None, 1, ages=False)


def no_age(written: str, kind: Any, reason: str) -> Rejected:
    return Rejected("age_years", written, RejectionReason(kind, reason), LABEL)


def group(value: str, said: str) -> Accepted:
    return Accepted("apparent_age_group", value, said, LABEL, REFERENCE, None, -1, ages=False)


def coarse(youngest: float, oldest: float, left_open: str) -> str:
    return f"too coarse: an age from {youngest:.1f} to {oldest:.1f} years leaves open whether {left_open}"


@pytest.mark.parametrize(
    ("birth_date", "expected"),
    [
        ("1980-01-31", [age(46.0, "1980-01-31")]),
        ("1980-02-01", [age(45 + 364 / 365, "1980-02-01")]),
        ("2026-01-31", [age(0.0, "2026-01-31")]),
        # Of a month or a year the youngest stands for all, where all decide alike.
        ("1980-01", [age(46.0, "1980-01")]),
        ("2026-01", [age(0.0, "2026-01")]),
        ("1990", [age(35 + 31 / 365, "1990")]),
        (
            "2008",
            [
                no_age("2008", "coarse", coarse(17 + 31 / 365, 18 + 30 / 365, "18 years are reached")),
                group("adolescent", "born 2008: 17.1 to 18.1 years"),
            ],
        ),
        (
            "2025",
            [
                no_age("2025", "coarse", coarse(31 / 365, 1 + 30 / 365, "1 years are reached")),
                group("infant", "born 2025: 0.1 to 1.1 years"),
            ],
        ),
        ("2026", [age(0.0, "2026")]),
        ("2026-02-01", [no_age("2026-02-01", "future", "the date of birth lies in the future")]),
        (
            "1900-05-05",
            [no_age("1900-05-05", "implausible", "implausible: 125.7 years; accepted: a number from 0 to 120 years")],
        ),
        ("1900", [no_age("1900", "implausible", "implausible: 125.1 years; accepted: a number from 0 to 120 years")]),
        ("1980-02-30", [no_age("1980-02-30", "malformed", "malformed date of birth: no such day in the calendar")]),
        (None, [no_age("null", "malformed", f"malformed date of birth: {NO_DATE}")]),
        (1980, [no_age("1980", "malformed", f"malformed date of birth: {NO_DATE}")]),
    ],
)
def test_the_age_by_a_date_of_birth(birth_date: Any, expected: list[Any]) -> None:
    assert found(birthDate=birth_date) == expected


def test_today_is_the_day_where_the_reading_takes_place() -> None:
    assert found(EAST, birthDate="2026-02-01") == [age(0.0, "2026-02-01")]
    assert found(EAST.astimezone(UTC), birthDate="2026-02-01")[0].value == "2026-02-01"


def sex(value: str, written: str) -> Accepted:
    return Accepted("sex", value, written, LABEL, REFERENCE, None, ages=False)


def no_sex(written: str) -> Rejected:
    why = RejectionReason("malformed", "malformed: not an administrative gender")
    return Rejected("sex", written, why, LABEL)


@pytest.mark.parametrize(
    ("gender", "expected"),
    [
        ("female", sex("female", "female")),
        ("male", sex("male", "male")),
        ("other", sex("unknown", "other")),
        ("unknown", sex("unknown", "unknown")),
        ("Female", no_sex("Female")),
        (None, no_sex("null")),
        (["female"], no_sex("a JSON array")),
    ],
)
def test_the_sex_is_the_administrative_gender(gender: Any, expected: Any) -> None:
    assert found(gender=gender) == [expected]


def test_what_the_patient_says_in_its_order() -> None:
    assert found() == []
    died = Rejected(
        None,
        "deceased: true",
        RejectionReason("patient", "the patient is recorded as deceased: check the identity"),
        LABEL,
    )
    assert found(deceasedBoolean=True) == [died]
    both = found(deceasedDateTime="2026-01-31", gender="male", birthDate="1980-01-31")
    assert both == [age(46.0, "1980-01-31"), sex("male", "male"), died._replace(value="deceased: 2026-01-31")]


@pytest.mark.parametrize(
    ("fields", "written", "reason"),
    [
        ({"deceasedBoolean": "true"}, "true", "deceasedBoolean is neither true nor false"),
        ({"deceasedBoolean": 1}, "1", "deceasedBoolean is neither true nor false"),
        ({"deceasedDateTime": True}, "true", "deceasedDateTime is not a text"),
        (
            {"deceasedDateTime": "2026-01-31", "deceasedBoolean": False},
            "false, 2026-01-31",
            "more than one deceased[x] (deceasedBoolean, deceasedDateTime)",
        ),
    ],
)
def test_a_death_in_another_form_is_listed_and_decides_nothing(fields: Resource, written: str, reason: str) -> None:
    why = RejectionReason("malformed", f"malformed: {reason}")
    assert found(**fields) == [Rejected(None, f"deceased: {written}", why, LABEL)]


@pytest.mark.parametrize(
    ("patient", "deceased"),
    [
        ({}, False),
        ({"deceasedBoolean": True}, True),
        ({"deceasedBoolean": False}, False),
        ({"deceasedBoolean": "true"}, False),
        ({"deceasedBoolean": 1}, False),
        ({"deceasedDateTime": True}, False),
        ({"deceasedDateTime": 2026, "deceasedBoolean": True}, False),
        ({"deceasedDateTime": "2026-01-31", "deceasedBoolean": False}, False),
        ({"deceasedDateTime": "2026-01-31", "deceasedBoolean": True}, True),
        ({"deceasedDateTime": "2026-01-31T22:00:00Z"}, True),
        ({"deceasedDateTime": "2026-01-31T22:00:01Z"}, False),
        ({"deceasedDateTime": "2026-01-31T22:00:01Z", "deceasedBoolean": True}, False),
        ({"deceasedDateTime": "2026-02-01"}, True),  # The day has begun here.
        ({"deceasedDateTime": "last week"}, True),  # A malformed date still says that there was one.
        ({"deceasedDateTime": None, "deceasedBoolean": True}, True),
        (None, False),
        (["deceasedBoolean"], False),
    ],
)
def test_who_is_recorded_as_deceased(patient: Any, deceased: bool) -> None:
    assert is_deceased(patient, EAST) is deceased


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ([{"given": ["Ada", "B."], "family": "Test"}], "Ada B. Test"),
        ([{"text": "Dr Ada Test", "given": ["Ada"], "family": "Other"}], "Dr Ada Test"),
        ([{"family": "Test"}], "Test"),
        ([{"given": ["Ada", 7, ""]}], "Ada"),
        ([{"given": "Ada"}, {"family": "Test"}], "Test"),
        ([{}, {"given": []}, {"text": "Ada"}], "Ada"),
        ([{"family": "First"}, {"family": "Second"}], "First"),
        ([{"text": "Ada  Test"}], "Ada Test"),
        (["Ada"], None),
        ([], None),
        ({"family": "Test"}, None),
    ],
)
def test_the_name_as_one_line(names: Any, expected: str | None) -> None:
    assert display_name({"name": names}) == expected


# --- which age out of a range matters -------------------------------------------------------------------------------------------


def compare(comparator: Any, value: Any) -> Compare:
    return Compare(fact="age_years", comparator=comparator, value=value)


@pytest.mark.parametrize(
    ("comparison", "youngest", "oldest", "expected"),
    [
        (compare("at_least", 65), 64, 65, "65 years are reached"),
        (compare("at_least", 65), 63.0, 64.9, None),
        (compare("at_least", 65), 65, 66, None),
        (compare("above", 58), 58, 58.5, "age_years > 58"),
        (compare("above", 58), 57, 58, None),
        (compare("below", 16), 15.5, 17.5, "16 years are reached"),
        (compare("below", 16), 16, 17, None),
        (compare("below", 16.5), 15, 17, "16.5 years are reached"),
        (compare("at_least", 65), 70, 70, None),
    ],
)
def test_an_age_matters_where_the_rules_answer_otherwise(
    comparison: Compare, youngest: float, oldest: float, expected: str | None
) -> None:
    assert question(comparisons=(comparison,), used_in_arithmetic=False).open_between(youngest, oldest) == expected


@pytest.mark.parametrize(
    ("arithmetic", "oldest", "expected"),
    [(True, 31.0, None), (True, 31.01, "the age is another by more than a year"), (False, 90.0, None)],
)
def test_rules_that_reckon_with_the_age_need_it_to_a_year(
    arithmetic: bool, oldest: float, expected: str | None
) -> None:
    assert question(comparisons=(), used_in_arithmetic=arithmetic).open_between(30.0, oldest) == expected


def test_what_the_shipped_rules_ask_of_the_age() -> None:
    asked = AgeQuestion(ruleset())
    assert {one.fact for one in asked.comparisons} == {"age_years"}
    assert asked.used_in_arithmetic is True
    assert AgeQuestion(replace(ruleset(), strata=())).used_in_arithmetic is False
    assert AgeQuestion(replace(ruleset(), strata=())).comparisons == ()
    assert asked.definition == ruleset().vocabulary["age_years"]


@pytest.mark.parametrize(
    ("years", "expected"),
    [
        (0, "infant"),
        (0.99, "infant"),
        (1, "toddler"),
        (2.99, "toddler"),
        (3, "young_child"),
        (7, "child"),
        (12, "adolescent"),
        (17.99, "adolescent"),
        (18, "adult"),
        (120, "adult"),
        (-0.1, None),
    ],
)
def test_the_age_groups_of_the_shipped_rules(years: float, expected: str | None) -> None:
    assert AgeQuestion(ruleset()).group(years) == expected


def test_the_age_groups_begin_where_the_rules_draw_them() -> None:
    """Edges outside of what an age can be, and edges at which nothing changes, begin none."""
    expected = (
        (0.0, "infant"),
        (1.0, "toddler"),
        (3.0, "young_child"),
        (7.0, "child"),
        (12.0, "adolescent"),
        (18.0, "adult"),
    )
    asked = AgeQuestion(ruleset())
    assert asked.groups == expected
    more = (*asked.comparisons, compare("at_least", -1), compare("at_least", 121), compare("at_least", 18.5))
    assert question(comparisons=more).groups == expected
    few = tuple(one for one in asked.comparisons if one.value in (0, 120, 7))
    assert question(comparisons=few).groups == ((0.0, "infant"), (7.0, "child"))
    vocabulary = {name: fact for name, fact in ruleset().vocabulary.items() if name != "apparent_age_group"}
    without = AgeQuestion(replace(ruleset(), vocabulary=type(ruleset().vocabulary)(vocabulary)))
    assert without.groups == ()
    assert without.group(30) is None


# --- who it is -------------------------------------------------------------------------------------------------------


def born(identity: str, birth_date: Any) -> Resource:
    return {"resourceType": "Patient", "id": identity, "birthDate": birth_date}


def doubt(written: str, label: str, reference: str | None) -> Accepted:
    return Accepted("identity_doubtful", True, written, label, reference, None, ages=False)


def apart(first: str, last: str, identity: str) -> Accepted:
    return doubt(f"born {first} and {last}", f"label of Patient/{identity}", f"Patient/{identity}")


@pytest.mark.parametrize(
    ("patients", "expected"),
    [
        ([], []),
        ([born("a", "1980-05-05")], []),
        ([born("a", "1980-05-05"), born("b", "1980-05-05")], []),
        ([born("a", "1980-05-05"), born("b", "1980")], []),
        ([born("a", "1980-05"), born("b", "1980-05-31")], []),
        ([born("a", "1980-05-05"), born("b", "1980-05-06")], [apart("1980-05-05", "1980-05-06", "b")]),
        ([born("b", "1980-05-06"), born("a", "1980-05-05")], [apart("1980-05-05", "1980-05-06", "b")]),
        ([born("a", "1980"), born("b", "1981-01-01"), born("c", "1980-06")], [apart("1980-06", "1981-01-01", "b")]),
        ([born("a", "1979"), born("b", "1981"), born("c", "1980")], [apart("1979", "1981", "b")]),
        ([born("a", "soon"), born("b", "1980"), born("c", "1981")], [apart("1980", "1981", "c")]),
        ([born("a", "soon"), born("b", None), {"resourceType": "Patient", "id": "c"}], []),
    ],
)
def test_two_dates_of_birth_without_a_day_in_common_are_a_doubt(
    patients: list[Resource], expected: list[Accepted]
) -> None:
    assert list(identity_doubts(list(map(record, patients)), [], [], AT)) == expected


def noted(years: float, written: str, standing: int = 0) -> Accepted:
    return Accepted("age_years", years, written, f"label {written}", f"Observation/{written}", AT, standing)


BORN = noted(40.0, "born 1986", 1)
OTHER = Accepted("weight_kg", 80.0, "80 kg", "w", "w", AT, 1)
REFUSED = Rejected("age_years", "x", RejectionReason("unit", "x"), "x")


@pytest.mark.parametrize(
    ("findings", "expected"),
    [
        ([BORN, noted(41.5, "a")], []),
        ([BORN, noted(38.5, "a")], []),
        ([BORN, noted(41.6, "a")], [doubt("age a, born 1986", "label a", "Observation/a")]),
        ([noted(38.4, "a"), BORN], [doubt("age a, born 1986", "label a", "Observation/a")]),
        (
            [noted(20, "a"), BORN, noted(60, "b")],
            [
                doubt("age a, born 1986", "label a", "Observation/a"),
                doubt("age b, born 1986", "label b", "Observation/b"),
            ],
        ),
        ([noted(20, "a"), noted(60, "b")], []),
        ([BORN, OTHER, REFUSED], []),
    ],
)
def test_an_age_that_does_not_go_with_the_date_of_birth_is_a_doubt(
    findings: list[Any], expected: list[Accepted]
) -> None:
    assert list(identity_doubts([], findings, [], AT)) == expected


def test_records_of_somebody_else_are_a_doubt_each_and_all_doubts_are_told() -> None:
    both = [record(born("a", "1980-05-05")), record(born("b", "1980-05-06"))]
    assert list(identity_doubts(both, [BORN, noted(20, "a")], ["Observation/x", "Observation/y"], AT)) == [
        apart("1980-05-05", "1980-05-06", "b"),
        doubt("age a, born 1986", "label a", "Observation/a"),
        doubt("record of another patient among these", "Observation/x", None),
        doubt("record of another patient among these", "Observation/y", None),
    ]
