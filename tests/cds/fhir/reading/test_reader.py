import copy
import json
import math
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.fhir.reading.bundle_index import ReadingError
from cds.fhir.reading.observation import ObservationReader
from cds.fhir.reading.patient import AgeQuestion
from cds.fhir.reading.reader import Reading, _PatientReading, read, read_called
from rules.deciding.decider import Decider
from rules.model.decision import RefusalKind
from tests.cds.fhir.reading.sent import (
    AT,
    ICD,
    LOINC,
    OWN,
    SNOMED,
    VALUES,
    Resource,
    bundle,
    code_map,
    concept,
    facts,
    neck,
    observation,
    of_patient,
    patient,
    quantity,
    reading,
    reasons,
    ruleset,
)

# --- values ------------------------------------------------------------------------------------------------------------


def test_a_fact_keeps_where_it_came_from_and_how_it_was_written() -> None:
    (fact,) = [fact for fact in reading(neck("n", 16, "[in_i]")).facts if fact.name == "neck_circumference_mm"]
    assert fact.value == 406.4
    assert fact.reference == "Observation/n"
    assert fact.recorded == datetime(2026, 1, 31, 9, tzinfo=UTC)
    assert fact.original == "16 inches"


@pytest.mark.parametrize(
    ("system", "code", "value", "unit", "fact", "expected"),
    [
        (LOINC, "8302-2", 70, "[in_i]", "height_cm", 177.8),
        (LOINC, "29463-7", 100, "[lb_av]", "weight_kg", 45.359237),
        (LOINC, "39156-5", 21.5, "kg/m2", "body_mass_index", 21.5),
        (LOINC, "9269-2", 14, "{score}", "glasgow_coma_score", 14),
        (LOINC, "38227-5", 17, "{score}", "braden_score", 17),
        (LOINC, "56074-2", 41, "cm", "neck_circumference_mm", 410),
        (SNOMED, "420236007", 41, "cm", "neck_circumference_mm", 410),
        (OWN, "neck-height", 6.2, "cm", "neck_height_mm", 62),
        (OWN, "neck-height", 3, "{finger}", "neck_height_fingers", 3),
        (OWN, "neck-height", 3.5, "{fingers}", "neck_height_fingers", 3.5),
    ],
)
def test_quantities(system: str, code: str, value: float, unit: str, fact: str, expected: float) -> None:
    assert facts(observation("o", code, system, valueQuantity=quantity(value, unit))) == {fact: expected}


@pytest.mark.parametrize(
    ("code", "fields", "expected"),
    [
        ("bed-rest", {"valueBoolean": False}, {"bed_rest": False}),
        ("bed-rest", {"valueCodeableConcept": concept("373066001", SNOMED)}, {"bed_rest": True}),
        ("bed-rest", {"valueString": "no"}, {"bed_rest": False}),
        ("habitus", {"valueCodeableConcept": concept("very-heavy", VALUES)}, {"habitus": "very_heavy"}),
        ("habitus", {"valueString": "very_heavy"}, {"habitus": "very_heavy"}),
        ("glasgow-coma-score", {"valueInteger": 15}, {"glasgow_coma_score": 15}),
    ],
)
def test_other_kinds_of_value(code: str, fields: dict[str, Any], expected: dict[str, Any]) -> None:
    assert facts(observation("o", code, **fields)) == expected


def test_components_are_read_with_the_time_of_their_observation() -> None:
    both = observation(
        "o",
        "neck-measurements",
        LOINC,
        component=[
            {"code": concept("neck-height"), "valueQuantity": quantity(62, "mm")},
            {"code": concept("neck-circumference"), "valueQuantity": quantity(40, "cm")},
        ],
    )
    assert facts(both) == {"neck_height_mm": 62, "neck_circumference_mm": 400}


@pytest.mark.parametrize(
    ("value", "kind", "reason"),
    [
        ({"value": 400}, "unit", "no unit"),
        ({"value": 40, "unit": "cm"}, "unit", "never guessed"),
        ({"value": 40, "code": "cm", "system": "http://local.example"}, "unit", "never guessed"),
        (quantity(40, "inch"), "unit", "unknown unit 'inch'"),
        (quantity(40, "kg"), "unit", "does not measure in mm"),
        (quantity(4000, "mm"), "implausible", "implausible; accepted: a number from 100 to 1000 mm"),
        (quantity(40, "mm"), "implausible", "implausible"),
        (quantity(math.nan, "mm"), "implausible", "not a finite number"),
        (quantity(math.inf, "mm"), "implausible", "not a finite number"),
        (quantity(10**5000, "mm"), "implausible", "far beyond"),
        (quantity(1e300, "mm"), "implausible", "far beyond"),
        (quantity(True, "mm"), "malformed", "not a number"),
        (quantity("400", "mm"), "malformed", "not a number"),
        (quantity(None, "mm"), "malformed", "not a number"),
        ({"unit": "mm"}, "malformed", "a quantity without a value"),
        ("400 mm", "malformed", "a quantity without a value"),
        ({**quantity(400, "mm"), "comparator": "<"}, "no value", "only a limit"),
    ],
)
def test_quantities_that_are_refused(value: Any, kind: str, reason: str) -> None:
    result = reading(observation("o", "neck-circumference", valueQuantity=value))
    (refused,) = result.not_used
    assert reason in refused.reason
    assert refused.kind == kind
    assert refused.fact == "neck_circumference_mm"
    assert refused.reference == "Observation/o"
    assert "neck_circumference_mm" not in {fact.name for fact in result.facts}


@pytest.mark.parametrize("code", ["neck-height", "neck-circumference", "weight"])
@pytest.mark.parametrize(
    "unit",
    [
        {"unit": "inches"},
        {"unit": "cms"},
        {"unit": "finger breadths"},
        {"unit": "in", "code": "in"},
        {"code": "MM", "system": "http://unitsofmeasure.org"},
        {"code": "{finger breadth}", "system": "http://unitsofmeasure.org"},
        {"code": "[foo]", "system": "http://unitsofmeasure.org"},
    ],
)
def test_a_unit_that_cannot_be_read_is_listed_with_a_question(code: str, unit: dict[str, str]) -> None:
    (refused,) = reading(observation("o", code, valueQuantity={"value": 3, **unit})).not_used
    assert (refused.kind, refused.value) == ("unit", f"3 {(unit.get('code') or unit['unit']).strip('{}')}")
    definition = ruleset().vocabulary[refused.fact]
    assert refused.reason.endswith(f"how much is it? accepted: {definition.accepted}")


def test_a_measure_whose_unit_cannot_be_read_is_asked_for() -> None:
    read_well, not_read = ({"code": "cm", "system": "http://unitsofmeasure.org"}, {"unit": "cms"})
    asked = []
    for unit in (read_well, not_read):
        result = reading(
            observation("h", "neck-height", valueQuantity={"value": 6.6, **unit}),
            observation("c", "neck-circumference", valueQuantity=quantity(385, "mm")),
            observation("a", "age-years", valueQuantity=quantity(71, "a")),
        )
        decision = Decider(ruleset()).decide(result.facts, AT, result.not_used)
        asked.append("neck_height_mm" in {one.fact for one in decision.measure_next})
        assert ("unit" in {entry.kind for entry in decision.not_used}) is (unit is not_read)
    assert asked == [False, True]


@pytest.mark.parametrize(
    ("code", "fields", "kind", "reason"),
    [
        ("neck-circumference", {"valueString": "wide"}, "code", "valueString is not a quantity"),
        ("neck-circumference", {"valueInteger": 400}, "unit", "no unit"),
        ("neck-circumference", {}, "no value", "no value is recorded"),
        ("neck-circumference", {"dataAbsentReason": concept("unknown", "x")}, "no value", "no value: unknown"),
        ("neck-circumference", {"valueString": "a", "valueBoolean": True}, "malformed", "more than one value[x]"),
        ("bed-rest", {"valueBoolean": "true"}, "malformed", "neither true nor false"),
        ("bed-rest", {"valueBoolean": 1}, "malformed", "neither true nor false"),
        ("bed-rest", {"valueString": "perhaps"}, "code", "neither a known yes nor a known no"),
        ("habitus", {"valueCodeableConcept": {"text": "rather stout"}}, "code", "no code, only words"),
        ("habitus", {"valueCodeableConcept": concept("giraffe", VALUES)}, "code", "no code that the code map knows"),
        (
            "neck-form",
            {"valueCodeableConcept": concept("short-broad", VALUES)},
            "retired",
            "record chin_to_shoulder_look and habitus",
        ),
        ("glasgow-coma-score", {"valueQuantity": quantity(14.5, "{score}")}, "implausible", "not a whole number"),
        ("glasgow-coma-score", {"valueInteger": 2}, "implausible", "implausible"),
        (
            "neck-height",
            {"valueQuantity": quantity(3.3, "{finger}")},
            "implausible",
            "not a whole or half number; accepted: a whole or half number from 0.5 to 10",
        ),
        ("neck-circumfrence", {"valueBoolean": True}, "code", "has no such code"),
    ],
)
def test_other_values_that_are_refused(code: str, fields: dict[str, Any], kind: str, reason: str) -> None:
    (refused,) = reading(observation("o", code, **fields)).not_used
    assert reason in refused.reason
    assert refused.kind == kind


def test_every_kind_of_refusal_is_documented() -> None:
    page = (Path(__file__).resolve().parents[4] / "docs" / "fhir.md").read_text()
    assert len(get_args(RefusalKind)) > 10
    assert [kind for kind in get_args(RefusalKind) if f"`{kind}`" not in page] == []


NOT_PERFORMED = {"dataAbsentReason": {"text": "not performed"}}


@pytest.mark.parametrize(
    "sent",
    [
        observation("a", "airway-threat", valueBoolean=True, **NOT_PERFORMED),
        observation(
            "a", "85353-1", LOINC, component=[{"code": concept("airway-threat"), "valueBoolean": True, **NOT_PERFORMED}]
        ),
        observation("a", "airway-threat", valueBoolean=True, effectivePeriod={"start": "2020", "end": "2021"}),
        observation("a", "airway-threat", valueBoolean=True, effectiveInstant="2025-01-31T09:00:00Z"),
        of_patient(
            "QuestionnaireResponse",
            "a",
            status="completed",
            authored="2026-01-31T09:00:00Z",
            item=[
                {
                    "linkId": "group",
                    "modifierExtension": [{"url": "http://hospital.example/negated", "valueBoolean": True}],
                    "item": [{"linkId": "airway-threat", "answer": [{"valueBoolean": True}]}],
                }
            ],
        ),
    ],
)
def test_a_danger_beside_what_takes_it_back_is_used_nowhere_and_to_be_looked_up(sent: Resource) -> None:
    assert facts(sent) == {}
    (refused,) = reading(sent).not_used
    assert refused.kind in ("malformed", "modifier")
    assert (refused.fact, refused.value) == ("airway_threat", "true")
    assert refused.look_up is not None and refused.look_up.startswith("airway threatened: true")


def test_what_was_found_beside_the_word_that_there_is_no_value_is_not_used() -> None:
    asked = sorted(code_map().finding_questions)[0]
    found = {"valueCodeableConcept": concept("S12.9", ICD)}
    assert facts(observation("f", asked.code, asked.system, **found)) == {"known_neck_injury": True}
    sent = observation("f", asked.code, asked.system, **found, **NOT_PERFORMED)
    assert facts(sent) == {}
    (refused,) = [one for one in reading(sent).not_used if one.fact]
    assert (refused.fact, refused.kind) == ("known_neck_injury", "malformed")
    assert refused.look_up


def test_no_component_is_refused_for_what_its_observation_lacks() -> None:
    part = {"code": concept("airway-threat"), "valueBoolean": True}
    assert facts(observation("a", "85353-1", LOINC, component=[part], **NOT_PERFORMED)) == {"airway_threat": True}


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled", "preliminary", "registered", "unknown", None, 7])
def test_only_final_observations_are_used(status: Any) -> None:
    (reason,) = reasons(neck("n", 400, status=status))
    assert "status" in reason


@pytest.mark.parametrize("status", ["final", "amended", "corrected"])
def test_final_observations_are_used(status: str) -> None:
    assert facts(neck("n", 400, status=status)) == {"neck_circumference_mm": 400}


@pytest.mark.parametrize("key", ["modifierExtension", "implicitRules"])
def test_what_may_change_the_meaning_is_refused(key: str) -> None:
    (reason,) = reasons(neck("n", 400, **{key: [{"url": "http://x.example", "valueBoolean": True}]}))
    assert f"carries {key}" in reason


# --- time --------------------------------------------------------------------------------------------------------------


def test_the_newest_usable_value_wins() -> None:
    old, new = neck("old", 380, effectiveDateTime="2026-01-30T09:00:00Z"), neck("new", 400)
    assert facts(old, new) == facts(new, old) == {"neck_circumference_mm": 400}
    assert reasons(old, new) == []


def test_a_refused_newer_value_does_not_hide_an_older_one_and_says_so() -> None:
    older = neck("older", 380, effectiveDateTime="2026-01-30T09:00:00Z")
    newer = neck("newer", 4000)
    assert facts(older, newer) == {"neck_circumference_mm": 380}
    (reason,) = reasons(older, newer)
    assert reason.endswith("the older value 380 mm (Observation/older) is used instead")


def test_a_stale_value_is_listed() -> None:
    stale = observation("o", "neck-swelling", valueBoolean=True, effectiveDateTime="2026-01-29T10:00:00Z")
    assert facts(stale) == {}
    assert reasons(stale) == ["stale: 48 hours old, and the limit is 24 hours"]


@pytest.mark.parametrize(
    ("recorded", "expected"),
    [("2026-01-30T10:00:00Z", {"neck_swelling": True}), ("2026-01-30T09:59:59Z", {})],
)
def test_a_value_is_good_up_to_its_limit_and_not_a_second_longer(recorded: str, expected: dict[str, Any]) -> None:
    assert facts(observation("o", "neck-swelling", valueBoolean=True, effectiveDateTime=recorded)) == expected


@pytest.mark.parametrize(
    ("code", "answer", "recorded", "expected"),
    [
        # Now is 2026-01-31T10:00Z: a failed screen of 80 hours ago stands, a passed one of then does not.
        ("swallow-screen-passed", False, "2026-01-28T02:00:00Z", {"swallow_screen_passed": False}),
        ("swallow-screen-passed", True, "2026-01-28T02:00:00Z", {}),
        ("new-neurological-sign", True, "2026-01-31T04:00:00Z", {"new_neurological_sign": True}),
        ("new-neurological-sign", False, "2026-01-31T04:00:00Z", {}),
        ("new-neurological-sign", True, "2026-01-30T09:59:59Z", {}),
        ("neurological-deficit", True, "2025-11-15T10:00:00Z", {"neurological_deficit": True}),
        ("neurological-deficit", True, "2025-10-15T10:00:00Z", {}),
    ],
)
def test_a_danger_stands_longer_than_the_word_that_there_is_none(
    code: str, answer: bool, recorded: str, expected: dict[str, Any]
) -> None:
    assert facts(observation("o", code, valueBoolean=answer, effectiveDateTime=recorded)) == expected


def test_a_danger_that_was_denied_later_does_not_come_back_when_the_denial_is_too_old() -> None:
    danger = observation("d", "swallow-screen-passed", valueBoolean=False, effectiveDateTime="2026-01-26T10:00:00Z")
    denied = observation("n", "swallow-screen-passed", valueBoolean=True, effectiveDateTime="2026-01-27T10:00:00Z")
    assert facts(danger, denied) == {}
    assert reasons(danger, denied) == ["stale: 4 days old, and the limit is 3 days; 1 older value not listed"]


def test_a_stale_value_below_a_fresh_one_is_not_worth_a_line() -> None:
    stale = observation("s", "neck-swelling", valueBoolean=True, effectiveDateTime="2026-01-20T10:00:00Z")
    fresh = observation("f", "neck-swelling", valueBoolean=False)
    assert facts(stale, fresh) == {"neck_swelling": False}
    assert reasons(stale, fresh) == []


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"effectiveDateTime": "2026-02-01T09:00:00Z"}, "in the future"),
        ({"effectiveDateTime": "2026-01-31T09:00:00"}, "time zone"),
        ({"effectiveDateTime": "yesterday"}, "not a FHIR date"),
        ({"effectiveDateTime": "2026-02-30"}, "no such day"),
        ({"effectiveDateTime": "0001-01-01T00:00:00+14:00"}, "implausible"),
        ({"effectiveDateTime": 7}, "not a FHIR date"),
        ({"effectiveDateTime": None}, "no time is recorded"),
        ({"effectiveDateTime": None, "effectivePeriod": "today"}, "malformed effectivePeriod"),
        ({"effectiveDateTime": None, "effectiveTiming": {}}, "effectiveTiming is not read"),
    ],
)
def test_bad_times_are_refused(fields: dict[str, Any], reason: str) -> None:
    (found,) = reasons(neck("n", 400, **fields))
    assert reason in found


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({"effectiveInstant": "2026-01-31T08:00:00Z"}, datetime(2026, 1, 31, 8, tzinfo=UTC)),
        (
            {"effectivePeriod": {"start": "2026-01-31T07:00:00Z", "end": "2026-01-31T08:00:00Z"}},
            datetime(2026, 1, 31, 8, tzinfo=UTC),
        ),
        ({"effectivePeriod": {"start": "2026-01-31T07:00:00Z"}}, datetime(2026, 1, 31, 7, tzinfo=UTC)),
        ({"issued": "2026-01-31T06:00:00Z"}, datetime(2026, 1, 31, 6, tzinfo=UTC)),
        ({"effectiveDateTime": "2026-01-30"}, datetime(2026, 1, 30, tzinfo=UTC)),
    ],
)
def test_times(fields: dict[str, Any], expected: datetime) -> None:
    timed = {**neck("n", 400), "effectiveDateTime": None, **fields}
    assert [fact.recorded for fact in reading(timed).facts if fact.name == "neck_circumference_mm"] == [expected]


# --- contradictions ----------------------------------------------------------------------------------------------------


def test_contradictory_values_of_one_moment_are_both_refused_and_nothing_older_is_used() -> None:
    older = neck("older", 380, effectiveDateTime="2026-01-30T09:00:00Z")
    both = neck("a", 400), neck("b", 450)
    assert facts(older, *both) == {}
    result = reading(older, *both)
    assert {refused.reference for refused in result.not_used} == {"Observation/a", "Observation/b"}
    assert all("contradicts" in refused.reason for refused in result.not_used)


def test_one_measurement_rounded_twice_is_no_contradiction() -> None:
    assert facts(neck("a", 16, "[in_i]"), neck("b", 406, "mm")) == {"neck_circumference_mm": 406.4}


def test_where_a_danger_is_both_affirmed_and_denied_it_is_taken_as_real() -> None:
    yes, no = (
        observation("y", "airway-threat", valueBoolean=True),
        observation("n", "airway-threat", valueBoolean=False),
    )
    assert facts(yes, no) == {"airway_threat": True}
    assert "safer to assume" in reasons(yes, no)[0]


def test_the_same_resource_sent_twice_counts_once() -> None:
    assert facts(neck("n", 400), neck("n", 400)) == {"neck_circumference_mm": 400}
    assert reasons(neck("n", 400), neck("n", 400)) == []


# --- the patient -------------------------------------------------------------------------------------------------------


def _age(birth_date: Any, **options: Any) -> tuple[Any, list[str]]:
    result = read(bundle(patient(birthDate=birth_date)), ruleset(), code_map(), options.get("at", AT))
    return {fact.name: fact.value for fact in result.facts}.get("age_years"), [item.reason for item in result.not_used]


@pytest.mark.parametrize(
    ("birth_date", "expected"),
    [("2008-01-31", 18.0), ("2026-01-31", 0.0), ("1980-02-29", 45 + 336 / 365), ("1906-03-01", 119 + 336 / 365)],
)
def test_age_from_a_whole_birth_date(birth_date: str, expected: float) -> None:
    assert _age(birth_date)[0] == pytest.approx(expected, rel=1e-12)


def test_the_day_before_the_18th_birthday_is_not_18() -> None:
    age, _ = _age("2008-02-01")
    assert 17.99 < age < 18


def test_somebody_born_on_29_february_turns_18_on_1_march() -> None:
    assert _age("2008-02-29", at=datetime(2026, 2, 28, 12, tzinfo=UTC))[0] < 18
    assert _age("2008-02-29", at=datetime(2026, 3, 1, 12, tzinfo=UTC))[0] == 18


def test_a_partial_birth_date_is_used_where_every_age_it_allows_decides_alike() -> None:
    age, refused = _age("1980")
    assert 45 <= age < 46
    assert refused == []


def test_rules_that_reckon_with_the_age_need_it_to_a_year() -> None:
    question = AgeQuestion(ruleset())
    assert question.used_in_arithmetic
    assert question.open_between(30, 31) is None
    assert "more than a year" in str(question.open_between(30, 31.5))


@pytest.mark.parametrize("birth_date", ["2008", "2023", "1961"])
def test_a_partial_birth_date_across_a_line_is_refused(birth_date: str) -> None:
    age, refused = _age(birth_date)
    assert age is None
    assert "leaves open whether" in refused[0]


def test_a_month_of_birth_is_used_outside_the_month_of_the_birthday_and_refused_within() -> None:
    assert _age("2008-01")[0] == 18
    assert _age("2008-01", at=datetime(2026, 1, 15, 12, tzinfo=UTC))[0] is None


@pytest.mark.parametrize(
    "birth_date", ["2027-01-01", "1880-01-01", "31.1.1980", 1980, None, "", {"year": 1980}, "1980-13"]
)
def test_a_bad_birth_date_is_refused(birth_date: Any) -> None:
    age, refused = _age(birth_date)
    assert age is None
    assert len(refused) == 1


def test_a_noted_age_stands_below_the_birth_date() -> None:
    noted = observation("a", "age", valueQuantity=quantity(7, "a"))
    assert dict(_named(reading(noted)))["age_years"] == pytest.approx(45.74, abs=0.01)


def _named(result: Any) -> list[tuple[str, Any]]:
    return [(fact.name, fact.value) for fact in result.facts]


def test_a_noted_age_is_brought_forward_and_refused_where_it_leaves_the_line_open() -> None:
    def noted(years: float) -> Resource:
        return observation("a", "age", valueQuantity=quantity(years, "a"), effectiveDateTime="2025-01-31T10:00:00Z")

    someone = patient(birthDate=None)
    del someone["birthDate"]
    clear = read(bundle(someone, noted(30)), ruleset(), code_map(), AT)
    assert dict(_named(clear))["age_years"] == pytest.approx(31, abs=0.01)
    open_line = read(bundle(someone, noted(17)), ruleset(), code_map(), AT)
    assert "age_years" not in dict(_named(open_line))
    assert "leaves open" in open_line.not_used[0].reason


@pytest.mark.parametrize(
    ("at", "age"),
    [("2026-01-29T18:00:00Z", 3), ("2026-01-01T10:00:00Z", 3), ("2026-01-01T09:59:59Z", None)],
    ids=["two days", "a month", "a second more"],
)
def test_an_age_that_was_noted_of_late_counts_as_noted(at: str, age: float | None) -> None:
    """Else a child of whom somebody noted 3 years two days ago would get the collar of an adult; local judgement."""
    noted = observation("a", "age", valueQuantity=quantity(3, "a"), effectiveDateTime=at)
    assert (
        dict(_named(read(bundle({"resourceType": "Patient", "id": "p"}, noted), ruleset(), code_map(), AT))).get(
            "age_years"
        )
        == age
    )


def test_no_birth_date_means_no_age() -> None:
    result = read(bundle({"resourceType": "Patient", "id": "p"}), ruleset(), code_map(), AT)
    assert result.facts == ()


@pytest.mark.parametrize(
    ("fields", "deceased"),
    [
        ({"deceasedBoolean": True}, True),
        ({"deceasedDateTime": "2026-01-01"}, True),
        ({"deceasedBoolean": False}, False),
        ({}, False),
    ],
)
def test_a_deceased_patient_is_noted(fields: dict[str, Any], deceased: bool) -> None:
    result = read(bundle(patient(**fields)), ruleset(), code_map(), AT)
    assert result.deceased is deceased
    assert any("deceased" in item.reason for item in result.not_used) is deceased


def test_records_of_another_patient_are_refused_and_listed() -> None:
    foreign = neck("n", 400, subject={"reference": "Patient/other"})
    assert "neck_circumference_mm" not in facts(foreign)
    assert reasons(foreign) == ["belongs to Patient/other, not to the patient asked for"]


@pytest.mark.parametrize(
    ("server", "reference", "own"),
    [
        # R4, Reference.reference: relative to the service base URL, or an absolute URL at which the resource is found.
        ("https://ehr.example/fhir", "Patient/p", True),
        ("https://ehr.example/fhir", "https://ehr.example/fhir/Patient/p", True),
        ("https://ehr.example/fhir/", "https://ehr.example/fhir/Patient/p/_history/2", True),
        ("https://ehr.example/fhir", "http://ehr.example/fhir/Patient/p", True),
        ("https://ehr.example/fhir", "https://other.example/fhir/Patient/p", False),
        ("https://ehr.example/fhir", "https://ehr.example/tenant2/fhir/Patient/p", False),
        ("https://ehr.example/fhir", "https://ehr.example/fhir/Patient/q", False),
        ("https://ehr.example/fhir", "https://ehr.example.evil.example/fhir/Patient/p", False),
        # RFC 3986, 6.2.2.1 and 6.2.3: scheme and host in any case, the port that the scheme implies; not the path.
        ("https://ehr.example/fhir", "HTTPS://EHR.example/fhir/Patient/p", True),
        ("https://ehr.example/fhir", "https://ehr.example:443/fhir/Patient/p/_history/2", True),
        ("https://EHR.example:443/fhir", "https://ehr.example/fhir/Patient/p", True),
        ("http://ehr.example/fhir", "http://ehr.example:80/fhir/Patient/p", True),
        ("https://ehr.example/fhir", "https://ehr.example:8443/fhir/Patient/p", False),
        ("https://ehr.example/fhir", "https://ehr.example:80/fhir/Patient/p", False),
        ("https://ehr.example/fhir", "https://ehr.example/FHIR/Patient/p", False),
        # Where nobody says which server it is, the id decides.
        (None, "https://other.example/fhir/Patient/p", True),
        (None, "https://other.example/fhir/Patient/q", False),
    ],
)
@pytest.mark.parametrize("record", [neck("n", 400), of_patient("Condition", "c", code=concept("R06.1", ICD))])
def test_the_address_of_a_patient_counts_where_the_server_is_known(
    record: Resource, server: str | None, reference: str, own: bool
) -> None:
    records = bundle({**record, "recordedDate": "2026-01-31T09:00:00Z", "subject": {"reference": reference}})
    call = {"context": {"patientId": "p"}, "prefetch": {"patient": patient(), "all": records}, "fhirServer": server}
    result = read(call, ruleset(), code_map(), AT)
    fact = "neck_circumference_mm" if record["resourceType"] == "Observation" else "airway_threat"
    assert (fact in {one.name for one in result.facts}) is own
    assert [one.reason for one in result.not_used] == ([] if own else [_anothers(reference)])


def test_a_record_that_does_not_say_whose_it_is_is_refused() -> None:
    assert reasons(neck("n", 400, subject=None)) == ["does not say whose record it is"]


NOISY = of_patient("Condition", "c", code=concept("R06.1", ICD), recordedDate="2026-01-31T09:00:00Z")
WRISTBAND = {"system": "urn:oid:1.2.3", "value": "4711"}
KNOWN = patient(identifier=[{"system": "urn:oid:9", "value": "x"}, WRISTBAND])


def read_of(*resources: Any) -> Reading:
    return read(bundle(*resources), ruleset(), code_map(), AT, "Patient/p")


@pytest.mark.parametrize(
    ("subject", "own", "named"),
    [
        # R4, Reference: "If both a literal reference and an identifier are present, the literal reference is preferred".
        ({"identifier": WRISTBAND}, True, False),
        ({"reference": "Patient/p", "identifier": {**WRISTBAND, "value": "4712"}}, True, False),
        ({"reference": "Patient/other", "identifier": WRISTBAND}, False, False),
        # Another number of the same numbering is somebody else; of another numbering nobody can say.
        ({"identifier": {**WRISTBAND, "value": "4712"}}, False, False),
        ({"identifier": {"system": "urn:oid:7", "value": "4711"}}, False, True),
        ({"identifier": {"value": "4711"}}, False, True),
        ({"identifier": "4711"}, False, True),
        ({"display": "Mrs Invented"}, False, True),
        ({}, False, True),
        (None, False, True),
    ],
)
def test_whose_a_danger_is_that_names_the_patient_by_an_identifier_or_not_at_all(
    subject: Any, own: bool, named: bool
) -> None:
    result = read_of(KNOWN, {**NOISY, "subject": subject})
    said = [one.look_up for one in result.not_used]
    assert {fact.name for fact in result.facts} >= ({"airway_threat"} if own else set())
    assert said == ([] if own else ["airway threatened: R06.1 (does not say whose record it is)" if named else None])


def test_an_identifier_of_somebody_else_puts_the_identity_in_doubt() -> None:
    other = {**NOISY, "subject": {"identifier": {**WRISTBAND, "value": "4712"}}}
    found = read_called(bundle(KNOWN, other), ruleset(), code_map(), AT, "Patient/p", None)
    assert "identity_doubtful" in {fact.name for fact in found.facts}


def test_what_nobody_mapped_and_of_nobody_is_named_too() -> None:
    words = of_patient("Condition", "c", subject=None, code={"text": "C5 burst fracture"})
    assert [one.look_up for one in read_of(KNOWN, words).not_used] == [None, "C5 burst fracture"]


def test_a_record_of_nobody_that_is_harmless_or_denied_since_is_only_listed() -> None:
    calm = observation("a", "airway-threat", valueBoolean=True, subject=None, effectiveDateTime="2026-01-31T08:00:00Z")
    denied = observation("b", "airway-threat", valueBoolean=False)
    assert [one.look_up for one in read_of(KNOWN, calm, denied).not_used] == [None]
    assert [one.look_up for one in read_of(KNOWN, {**denied, "subject": None}).not_used] == [None]


@pytest.mark.parametrize("kind", ["Patient", "Device"])
def test_each_address_at_which_the_same_was_sent_is_a_name_of_it(kind: str) -> None:
    """R4, Bundle: a reference is resolved by the fullUrl of the entry; prefetch.patient has none."""
    again = "urn:uuid:5a4b7e0e-0000-4000-8000-000000000001"
    device = {"resourceType": "Device", "id": "d", "type": {"text": "Rigid neck collar"}}
    named = {"Patient": patient(), "Device": device}[kind]
    use = of_patient("DeviceUseStatement", "u", status="active", device={"reference": again})
    telling = {"Patient": {**NOISY, "subject": {"reference": again}}, "Device": use}[kind]
    sent = bundle(patient(), device, telling)
    sent["entry"].append({"fullUrl": again, "resource": named})
    found = {fact.name for fact in read(sent, ruleset(), code_map(), AT, "Patient/p").facts}
    assert {"Patient": "airway_threat", "Device": "collar_in_place"}[kind] in found
    assert "identity_doubtful" not in found


@pytest.mark.parametrize(
    ("focus", "about_the_patient", "named"),
    [
        # R4, Observation.focus: "the fetus, a donor, a parent"; or a thing of the patient's.
        ({"reference": "RelatedPerson/fetus"}, False, False),
        ({"reference": "Patient/other"}, False, False),
        ({"type": "RelatedPerson", "display": "donor"}, False, False),
        ({"type": "Group", "reference": "urn:uuid:1"}, False, False),
        ({"reference": "https://ehr.example/fhir/RelatedPerson/f/_history/1"}, False, False),
        ({"reference": "urn:uuid:1"}, False, True),
        ({"reference": "#fetus"}, False, True),
        ({"display": "fetus"}, False, True),
        ({"identifier": {"value": "1"}}, False, True),
        ({"reference": "Patient/p"}, True, False),
        ({"reference": "https://ehr.example/fhir/Patient/p"}, True, False),
        ({"reference": "Condition/sore"}, True, False),
        ({"type": "Device", "display": "tube"}, True, False),
    ],
)
def test_what_an_observation_is_about_when_it_is_not_about_the_patient(
    focus: Any, about_the_patient: bool, named: bool
) -> None:
    coma = observation("o", "glasgow-coma-score", valueInteger=3, focus=[focus])
    result = reading(observation("w", "29463-7", LOINC, valueQuantity=quantity(70, "kg")), coma)
    names = {fact.name for fact in result.facts}
    assert ("glasgow_coma_score" in names) is about_the_patient
    assert {"weight_kg"} <= names
    assert "identity_doubtful" not in names
    (look_up,) = [one.look_up for one in result.not_used] or [None]
    assert (look_up is not None) is named
    assert not named or str(look_up).startswith("Glasgow coma score: 3 (does not say what it is about")


@pytest.mark.parametrize(
    "reference", ["Patient/p", "Patient/p/_history/3", "urn:uuid:p", "https://ehr.example/fhir/Patient/p"]
)
def test_ways_to_refer_to_the_patient(reference: str) -> None:
    assert facts(neck("n", 400, subject={"reference": reference})) == {"neck_circumference_mm": 400}


def test_the_same_id_on_another_server_is_another_patient() -> None:
    sent = bundle(neck("n", 400, subject={"reference": "https://other.example/fhir/Patient/p"}))
    sent["entry"].insert(0, {"fullUrl": "https://ehr.example/fhir/Patient/p", "resource": patient()})
    result = read(sent, ruleset(), code_map(), AT)
    assert "neck_circumference_mm" not in dict(_named(result))


def test_an_address_counts_however_it_is_written() -> None:
    sent = bundle(*(neck(id, 400, subject={"reference": reference}) for id, reference in ADDRESSED.items()))
    sent["entry"].insert(0, {"fullUrl": "https://EHR.example:443/fhir/Patient/p", "resource": patient()})
    assert [one.reason for one in read(sent, ruleset(), code_map(), AT).not_used] == []
    assert "neck_circumference_mm" in dict(
        _named(read(bundle(*(one["resource"] for one in sent["entry"][1:])), ruleset(), code_map(), AT))
    )


ADDRESSED = {"a": "https://ehr.example/fhir/Patient/p", "b": "https://Ehr.Example:443/fhir/Patient/p"}


def test_two_patients_and_nobody_asked_for_is_an_error() -> None:
    with pytest.raises(ReadingError, match="say which patient is meant"):
        read(bundle(patient(), patient(id="q")), ruleset(), code_map(), AT)


def test_the_patient_asked_for_is_read_among_several() -> None:
    result = read(bundle(patient(), patient(id="q"), neck("n", 400)), ruleset(), code_map(), AT, patient="p")
    assert result.patient == "Patient/p"
    assert dict(_named(result))["neck_circumference_mm"] == 400
    assert [item.reference for item in result.not_used] == ["Patient/q"]


# --- diagnoses, procedures, orders ---------------------------------------------------------------------------------------


def _condition(identity: str, code: str = "M45.9", system: str = ICD, **fields: Any) -> Resource:
    return of_patient("Condition", identity, code=concept(code, system), **fields)


def _status(code: str) -> Resource:
    return concept(code, "http://terminology.hl7.org/CodeSystem/condition-clinical")


@pytest.mark.parametrize(
    ("code", "system", "fact"),
    [
        ("M45.9", ICD, "inflammatory_spine_disease"),
        ("9631008", SNOMED, "inflammatory_spine_disease"),
        ("M81.0", ICD, "osteoporosis"),
        ("S06.5X0A", ICD, "raised_intracranial_pressure_risk"),
        ("tracheostomy", OWN, "tracheostomy"),
    ],
)
def test_a_diagnosis_makes_its_fact_true(code: str, system: str, fact: str) -> None:
    assert facts(_condition("c", code, system, recordedDate="2026-01-30")) == {fact: True}


@pytest.mark.parametrize(
    ("code", "system", "days", "fact"),
    [
        ("M45.9", ICD, 20_000, "inflammatory_spine_disease"),
        ("M45.9", ICD, None, "inflammatory_spine_disease"),
        ("tracheostomy", OWN, 3_000, "tracheostomy"),
        ("S06.5X0A", ICD, 89, "raised_intracranial_pressure_risk"),
        ("S06.5X0A", ICD, 91, None),
    ],
)
def test_a_disease_that_stays_counts_for_good_and_a_head_injury_for_90_days(
    code: str, system: str, days: int | None, fact: str | None
) -> None:
    noted = None if days is None else (AT - timedelta(days=days)).date().isoformat()
    assert facts(_condition("c", code, system, recordedDate=noted)) == ({} if fact is None else {fact: True})


@pytest.mark.parametrize(
    ("code", "answer", "hours"),
    [
        ("tracheostomy", False, 168),
        ("raised-intracranial-pressure-risk", False, 168),
        ("known-neck-injury", False, 168),
        ("blunt-injury", False, 168),
        ("neck-laxity", False, 8760),
        ("dangerous-mechanism", False, 72),
        ("walked-since-injury", True, 72),
        ("clearance-recorded", True, 720),
    ],
)
def test_a_reassuring_answer_of_an_earlier_stay_says_nothing_today(code: str, answer: bool, hours: int) -> None:
    def said(age: float, value: bool) -> dict[str, Any]:
        noted = (AT - timedelta(hours=age)).isoformat()
        return facts(observation(code, code, valueBoolean=value, effectiveDateTime=noted))

    assert said(hours, answer) == {code.replace("-", "_"): answer}
    assert said(hours + 1, answer) == {}


def test_no_diagnosis_is_not_a_no() -> None:
    assert facts() == {}


def test_a_refuted_diagnosis_is_a_no_that_any_other_record_overrules() -> None:
    refuted = _condition("r", verificationStatus=_status("refuted"), recordedDate="2026-01-30")
    confirmed = _condition("c", verificationStatus=_status("confirmed"), recordedDate="2020-01-01")
    assert facts(refuted) == {"inflammatory_spine_disease": False}
    assert facts(refuted, confirmed) == {"inflammatory_spine_disease": True}


def test_a_danger_that_was_refuted_later_is_used_and_the_denial_is_listed() -> None:
    confirmed = _condition("c", verificationStatus=_status("confirmed"), recordedDate="2020-01-01")
    later = _condition("r", verificationStatus=_status("refuted"), recordedDate="2026-01-30")
    earlier = _condition("r", verificationStatus=_status("refuted"), recordedDate="2019-01-30")
    assert [(item.reference, item.kind) for item in reading(confirmed, later).not_used] == [
        ("Condition/r", "contradiction")
    ]
    assert "have one corrected" in reading(confirmed, later).not_used[0].reason
    assert reading(confirmed, earlier).not_used == ()


@pytest.mark.parametrize(
    "fields",
    [
        {"verificationStatus": _status("entered-in-error")},
        {"verificationStatus": "confirmed"},
        {"clinicalStatus": _status("resolved")},
        {"clinicalStatus": _status("inactive")},
        {"abatementDateTime": "2020"},
        {"recordedDate": "2027-01-01"},
    ],
)
def test_a_diagnosis_that_does_not_stand_says_nothing(fields: dict[str, Any]) -> None:
    assert facts(_condition("c", **fields)) == {}
    assert len(reasons(_condition("c", **fields))) == 1


def test_a_finished_procedure_counts_and_one_not_done_does_not() -> None:
    def procedure(status: str) -> Resource:
        return of_patient("Procedure", "x", status=status, code=concept("tracheostomy"), performedDateTime="2026-01-20")

    assert facts(procedure("completed")) == {"tracheostomy": True}
    assert facts(procedure("not-done")) == {}
    assert reasons(procedure("not-done")) == ["status is not-done"]


def _surgery(**fields: Any) -> Resource:
    order: Resource = {"status": "active", "intent": "order", "category": [concept("387713003", SNOMED)], **fields}
    return of_patient("ServiceRequest", "s", **order)


def test_an_operation_ordered_for_later_is_planned_however_long_ago_it_was_ordered() -> None:
    assert facts(_surgery(authoredOn="2026-01-01", occurrenceDateTime="2026-02-02")) == {"surgery_planned": True}


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"status": "draft"}, "status is draft"),
        ({"status": "revoked"}, "status is revoked"),
        ({"intent": "proposal"}, "intent is proposal"),
        ({"doNotPerform": True}, "not be done"),
        ({"occurrenceDateTime": "2026-01-20"}, "was due"),
        ({"occurrenceDateTime": "soon"}, "malformed occurrence"),
        ({"authoredOn": "2026-01-01"}, "stale"),
    ],
)
def test_an_order_that_is_not_in_force_says_nothing(fields: dict[str, Any], reason: str) -> None:
    assert facts(_surgery(**fields)) == {}
    assert reason in reasons(_surgery(**fields))[0]


def test_an_operation_that_was_done_is_not_planned() -> None:
    done = of_patient("Procedure", "x", status="completed", code=concept("387713003", SNOMED))
    assert facts(done) == {}


# --- encounter and collar ------------------------------------------------------------------------------------------------

ACT, ROLE = "http://terminology.hl7.org/CodeSystem/v3-ActCode", "http://terminology.hl7.org/CodeSystem/v3-RoleCode"


def _encounter(identity: str = "e", **fields: Any) -> Resource:
    running = {"status": "in-progress", "class": {"system": ACT, "code": "IMP"}, **fields}
    return of_patient("Encounter", identity, **running)


def test_the_encounter_says_the_setting() -> None:
    assert facts(_encounter()) == {"setting": "ward"}
    assert reading(_encounter()).encounter == "Encounter/e"


def test_the_location_says_it_better_than_the_class() -> None:
    unit = {"resourceType": "Location", "id": "icu", "type": [concept("ICU", ROLE)]}
    stay = [{"location": {"reference": "Location/icu"}, "status": "active"}]
    assert facts(_encounter(location=stay), unit) == {"setting": "critical_care"}
    assert facts(_encounter(location=stay)) == {"setting": "ward"}
    left = [{"location": {"reference": "Location/icu"}, "period": {"end": "2026-01-30"}}]
    assert facts(_encounter(location=left), unit) == {"setting": "ward"}


@pytest.mark.parametrize(
    ("status", "setting"),
    # The codes of FHIR R4, value set encounter-location-status.
    [("active", "critical_care"), ("planned", "ward"), ("reserved", "ward"), ("completed", "ward")],
)
def test_only_the_bed_that_the_patient_lies_in_says_the_setting(status: str, setting: str) -> None:
    unit = {"resourceType": "Location", "id": "icu", "type": [concept("ICU", ROLE)]}
    stay = [{"location": {"reference": "Location/icu"}, "status": status}]
    assert facts(_encounter(location=stay), unit) == {"setting": setting}


def test_an_encounter_that_does_not_run_says_nothing() -> None:
    assert facts(_encounter(status="finished")) == {}


def test_of_several_encounters_the_latest_counts() -> None:
    early = _encounter("a", period={"start": "2026-01-01"})
    late = _encounter("b", period={"start": "2026-01-30"}, **{"class": {"system": ACT, "code": "EMER"}})
    assert facts(early, late) == facts(late, early) == {"setting": "emergency"}


def test_the_latest_encounter_is_told_across_time_zones() -> None:
    early = _encounter("a", period={"start": "2026-01-30T09:00:00+05:30"})
    late = _encounter("b", period={"start": "2026-01-30T08:00:00Z"}, **{"class": {"system": ACT, "code": "EMER"}})
    assert facts(early, late) == {"setting": "emergency"}


def _worn(identity: str, **fields: Any) -> Resource:
    since = {"status": "active", "timingPeriod": {"start": "2026-01-29T10:00:00Z"}, **fields}
    device = {
        "contained": [{"resourceType": "Device", "id": "d", "type": _own_order("extrication-collar")}],
        "device": {"reference": "#d"},
    }
    return of_patient("DeviceUseStatement", identity, **device, **since)


def _own_order(code: str) -> Resource:
    return concept(code, "https://nuque.example.org/fhir/CodeSystem/orders")


def test_a_collar_in_use_gives_kind_and_hours() -> None:
    assert facts(_worn("w")) == {"collar_in_place": True, "collar_kind": "extrication", "collar_hours": 48.0}


def test_a_collar_that_came_off_says_so_unless_another_is_on() -> None:
    off = _worn("off", status="completed", timingPeriod={"start": "2026-01-29", "end": "2026-01-31T08:00:00Z"})
    assert facts(off) == {"collar_in_place": False}
    assert facts(off, _worn("on"))["collar_in_place"] is True


def test_another_device_says_nothing() -> None:
    other = of_patient("DeviceUseStatement", "w", status="active", device={"display": "crutches"})
    assert facts(other) == {}
    assert reasons(other) == []


@pytest.mark.parametrize(
    ("order", "expected"),
    [
        (
            {
                "resourceType": "DeviceRequest",
                "codeCodeableConcept": concept("L0172", "urn:oid:2.16.840.1.113883.6.285"),
            },
            True,
        ),
        ({"resourceType": "ServiceRequest", "code": _own_order("fit-rigid-neck-collar")}, True),
        ({"resourceType": "ServiceRequest", "code": {"text": "Cervical Collar"}}, True),
        ({"resourceType": "ServiceRequest", "code": {"text": "Cervical Collar"}, "doNotPerform": True}, False),
        (
            {
                "resourceType": "DeviceRequest",
                "codeCodeableConcept": concept("adult H3 G2", "https://nuque.example.org/fhir/CodeSystem/size-classes"),
            },
            True,
        ),
        ({"resourceType": "ServiceRequest", "code": concept("L0000", LOINC)}, False),
        ({"resourceType": "Observation", "code": _own_order("fit-rigid-neck-collar")}, False),
        ({"resourceType": ["ServiceRequest"], "code": 7}, False),
        (None, False),
    ],
)
def test_which_orders_are_for_a_collar(order: Any, expected: bool) -> None:
    assert code_map().is_collar_order(order) is expected


# --- questionnaires -------------------------------------------------------------------------------------------------------


def test_answers_whose_link_is_a_fact_are_read() -> None:
    response = of_patient(
        "QuestionnaireResponse",
        "q",
        status="completed",
        authored="2026-01-31T09:00:00Z",
        item=[
            {"linkId": "group", "item": [{"linkId": "bed-rest", "answer": [{"valueBoolean": True}]}]},
            {"linkId": "neck-height", "answer": [{"valueQuantity": quantity(3, "{finger}")}]},
            {"linkId": "habitus", "answer": [{"valueCoding": {"system": VALUES, "code": "average"}}]},
            {"linkId": "something-else", "answer": [{"valueString": "x"}]},
        ],
    )
    assert facts(response) == {"bed_rest": True, "neck_height_fingers": 3, "habitus": "average"}
    assert facts({**response, "status": "in-progress"}) == {}
    assert len(reasons({**response, "status": "in-progress"})) == 3


@pytest.mark.parametrize("link", ["neck-form", "neck_form"])
def test_an_answer_to_a_question_that_is_no_longer_used_is_listed(link: str) -> None:
    answer = {"valueCoding": {"system": VALUES, "code": "short-broad"}}
    response = of_patient(
        "QuestionnaireResponse",
        "q",
        status="completed",
        authored="2026-01-31T09:00:00Z",
        item=[{"linkId": link, "answer": [answer]}],
    )
    (listed,) = reading(response).not_used
    assert (listed.fact, listed.kind) == ("neck_form", "retired")
    assert facts(response) == {}


# --- what may be sent ------------------------------------------------------------------------------------------------------


def test_a_hook_request_is_read_with_its_context() -> None:
    request = {
        "hook": "order-select",
        "context": {"patientId": "p", "encounterId": "e", "draftOrders": bundle(_surgery(status="draft"))},
        "prefetch": {
            "patient": patient(),
            "observations": bundle(neck("n", 400)),
            "conditions": None,
            "encounter": {"resourceType": "OperationOutcome", "issue": [{"code": "timeout"}]},
        },
    }
    result = read(request, ruleset(), code_map(), AT)
    assert (result.patient, result.encounter) == ("Patient/p", "Encounter/e")
    assert dict(_named(result))["neck_circumference_mm"] == 400
    assert [(item.value, item.reason) for item in result.not_used] == [
        ("timeout", "the record system answered with an error"),
        ("387713003", "status is draft"),
    ]


@pytest.mark.parametrize("sent", [None, 7, "x", {}, {"resource": 1}])
def test_what_is_nothing_of_the_kind_is_an_error(sent: Any) -> None:
    with pytest.raises(ReadingError, match="expected a FHIR Bundle"):
        read(sent, ruleset(), code_map(), AT)


def test_a_further_page_that_was_not_sent_is_noted() -> None:
    sent = {**bundle(patient()), "link": [{"relation": "next", "url": "https://ehr.example/page2"}]}
    assert "in a page that was not sent" in read(sent, ruleset(), code_map(), AT).not_used[0].reason


def test_the_moment_needs_a_time_zone() -> None:
    with pytest.raises(ValueError, match="time zone"):
        read(bundle(), ruleset(), code_map(), datetime(2026, 1, 31))


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
_EVERYTHING = bundle(
    neck("n", 400),
    observation("c", "x", LOINC, component=[{"code": concept("neck-height"), "valueQuantity": quantity(62, "mm")}]),
    _condition("d", verificationStatus=_status("confirmed"), clinicalStatus=_status("active"), recordedDate="2020"),
    _surgery(occurrencePeriod={"end": "2026-02-02"}),
    _encounter(
        location=[{"location": {"reference": "Location/icu"}, "period": {"end": "2027"}}], period={"start": "2026"}
    ),
    {"resourceType": "Location", "id": "icu", "type": [concept("ICU", ROLE)]},
    _worn("w"),
    of_patient(
        "QuestionnaireResponse",
        "q",
        status="completed",
        item=[{"linkId": "bed-rest", "answer": [{"valueBoolean": True}]}],
    ),
    patient(id="p", name=[{"given": ["A"], "family": "B"}], deceasedDateTime="2030"),
)


def _paths(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(deeper for key, child in inner for deeper in _paths(child, (*path, key)))]


@given(st.sampled_from(_paths(_EVERYTHING["entry"])[1:]), _JSON)
def test_any_json_anywhere_is_read_or_listed_and_never_costs_the_rest(path: tuple[Any, ...], value: Any) -> None:
    sent = copy.deepcopy(_EVERYTHING)
    holder: Any = sent["entry"]
    for step in path[:-1]:
        holder = holder[step]
    holder[path[-1]] = value
    sent["entry"] += [
        {"resource": patient()},
        {"resource": observation("sound", "weight", valueQuantity=quantity(70, "kg"))},
    ]
    result = read(sent, ruleset(), code_map(), AT, patient="p")
    assert dict(_named(result))["weight_kg"] == 70
    json.dumps([item.model_dump() for item in result.not_used])


@given(
    st.dictionaries(
        st.sampled_from(
            [
                "status",
                "code",
                "subject",
                "effectiveDateTime",
                "valueQuantity",
                "component",
                "valueBoolean",
                "id",
                "resourceType",
            ]
        ),
        _JSON,
    )
)
def test_a_single_malformed_observation_never_costs_the_rest(broken: dict[str, Any]) -> None:
    sound = reading(neck("n", 400), observation("h", "neck-height", valueQuantity=quantity(62, "mm")))
    beside = reading(
        neck("n", 400),
        {**neck("broken", 500), **broken, "effectiveDateTime": "2026-01-30T09:00:00Z"},
        observation("h", "neck-height", valueQuantity=quantity(62, "mm")),
    )
    assert set(sound.facts) <= set(beside.facts)


def test_5000_resources_are_read() -> None:
    many = [neck(f"n{i}", 300 + i / 100, effectiveDateTime="2026-01-30T09:00:00Z") for i in range(4000)]
    others = [observation(f"x{i}", "2345-7", LOINC, valueQuantity=quantity(5, "mmol/L")) for i in range(1000)]
    assert facts(*many, *others, neck("newest", 400)) == {"neck_circumference_mm": 400}


def test_half_a_surrogate_in_a_text_is_shown_and_not_passed_on() -> None:
    sent = json.loads(r'{"resourceType": "Observation", "id": "o\ud800", "code": 7}')
    result = reading({**sent, "subject": {"reference": "Patient/p\ud800"}})
    assert result.not_used
    written = json.dumps([item.model_dump(mode="json") for item in result.not_used], ensure_ascii=False)
    assert written.encode().decode() == written


# --- hours since something ---------------------------------------------------------------------------------------------


def test_hours_noted_earlier_have_grown_by_now() -> None:
    noted = observation("o", "hours-since-injury", valueQuantity=quantity(2, "h"))
    assert facts(noted) == {"hours_since_injury": 3.0}
    assert facts(noted | {"valueQuantity": quantity(90, "min")}) == {"hours_since_injury": 2.5}


def test_the_moment_itself_gives_the_hours() -> None:
    assert facts(observation("o", "hours-since-injury", valueDateTime="2026-01-31T04:00:00Z")) == {
        "hours_since_injury": 6.0
    }


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"valueQuantity": quantity(2, "h"), "effectiveDateTime": None}, "no time is recorded"),
        ({"valueDateTime": "2026-01-31T11:00:00Z"}, "implausible"),
        ({"valueDateTime": "this morning"}, "malformed valueDateTime"),
    ],
)
def test_hours_that_cannot_be_told_are_refused(fields: dict[str, Any], reason: str) -> None:
    (found,) = reasons(observation("o", "hours-since-injury", **fields))
    assert reason in found


# --- a moment that is a day, a period that goes on, no moment at all -------------------------------------------------------

STRIDOR = concept("70407001", SNOMED)
ACTIVE = {"clinicalStatus": {"coding": [{"code": "active"}]}}


def threat(**when: Any) -> Resource:
    return {"id": "o", **observation("o", "airway-threat", valueBoolean=True), "effectiveDateTime": None, **when}


@pytest.mark.parametrize(
    ("period", "threatened"),
    [
        ({"start": "2026-01-28T04:00:00Z"}, True),
        ({"start": "2026-01-28T04:00:00Z", "end": "2026-02-03T04:00:00Z"}, True),
        ({"start": "2026-01-28", "end": "2026-01-31"}, True),
        ({"start": "2026-01-28T04:00:00Z", "end": "2026-01-29T04:00:00Z"}, False),
        ({"start": "2026-02-01T04:00:00Z"}, False),
    ],
)
def test_a_danger_of_a_period_that_goes_on_is_so_now(period: Resource, threatened: bool) -> None:
    """FHIR R4, Period: without an end it goes on; an end that is a day includes that day."""
    found = facts(threat(effectivePeriod=period))
    assert found == ({"airway_threat": True} if threatened else {})


def test_a_period_that_goes_on_says_nothing_against_a_newer_record() -> None:
    began, denied = {"start": "2026-01-28T04:00:00Z"}, observation("n", "airway-threat", valueBoolean=False)
    assert facts(threat(effectivePeriod=began), denied) == {"airway_threat": False}


@pytest.mark.parametrize("code", ["airway-threat", "neck-circumference", "last-skin-check-hours"])
def test_neither_the_word_that_there_is_none_nor_a_number_stays_fresh(code: str) -> None:
    """A start without an end is also how a careless interface writes a moment."""
    period = {"effectiveDateTime": None, "effectivePeriod": {"start": "2025-12-01T04:00:00Z"}}
    values = {"airway-threat": {"valueBoolean": False}, "neck-circumference": {"valueQuantity": quantity(400, "mm")}}
    value = values.get(code, {"valueQuantity": quantity(1, "h")})
    assert set(facts(observation("o", code, **value) | period).values()) <= {
        1 + (AT - datetime(2025, 12, 1, 4, tzinfo=UTC)).total_seconds() / 3600
    }


@pytest.mark.parametrize(
    ("dates", "threatened"),
    [
        ({"recordedDate": "2026-01-30"}, True),  # Stridor counts for a day, and that day is over for ten hours.
        ({"recordedDate": "2026-01-30T00:00:00Z"}, False),
        ({"recordedDate": "2026-01-29"}, False),
        ({"onsetDateTime": "2026-01-30"}, True),
        (ACTIVE, True),
        ({"clinicalStatus": {"coding": [{"code": "resolved"}]}}, False),
        ({}, False),
        (ACTIVE | {"recordedDate": "2026-01-20"}, False),
    ],
)
def test_a_danger_of_a_day_counts_to_its_end_and_an_active_one_without_a_date_is_so_now(
    dates: Resource, threatened: bool
) -> None:
    sent = of_patient("Condition", "c", code=STRIDOR, **dates)
    assert facts(sent) == ({"airway_threat": True} if threatened else {})
    assert bool(reasons(sent)) is not threatened


def test_a_danger_without_a_date_is_overruled_by_any_fresh_record() -> None:
    undated = of_patient("Condition", "c", code=STRIDOR, **ACTIVE)
    assert facts(undated, observation("n", "airway-threat", valueBoolean=False)) == {"airway_threat": False}


def test_a_day_without_a_time_keeps_no_denial_fresh() -> None:
    denied = observation("n", "airway-threat", valueBoolean=False, effectiveDateTime="2026-01-30")
    assert facts(denied) == {}
    assert reasons(denied)[0].startswith("stale")


def test_a_procedure_under_way_goes_on_and_one_that_is_done_does_not() -> None:
    begun = {"performedPeriod": {"start": "2026-01-01T04:00:00Z"}, "code": STRIDOR}
    assert facts(of_patient("Procedure", "c", status="in-progress", **begun)) == {"airway_threat": True}
    assert facts(of_patient("Procedure", "c", status="completed", **begun)) == {}


# --- only suspected --------------------------------------------------------------------------------------------------------


def suspected(code: str, status: str = "provisional", **more: Any) -> Resource:
    known = {"verificationStatus": {"coding": [{"code": status}]}, "recordedDate": "2026-01-31T09:00:00Z"}
    return of_patient("Condition", "c", code=concept(code, ICD), **(ACTIVE | known | more))


@pytest.mark.parametrize("status", ["provisional", "unconfirmed", "differential"])
def test_a_danger_that_is_only_suspected_counts_and_says_so(status: str) -> None:
    (fact,) = [fact for fact in reading(suspected("S12.9XXA", status)).facts if fact.name == "known_neck_injury"]
    assert (fact.value, fact.original) == (True, f"suspected ({status}): S12.9XXA")


@pytest.mark.parametrize("status", ["entered-in-error", "refuted", "guess"])
def test_one_that_was_entered_in_error_or_refuted_does_not(status: str) -> None:
    assert facts(suspected("S12.9XXA", status)).get("known_neck_injury") is not True


def test_what_is_no_danger_waits_for_the_confirmation() -> None:
    assert facts(suspected("M81.0")) == {}
    assert "verificationStatus is provisional" in reasons(suspected("M81.0"))[0]


def test_a_newer_denial_ends_a_suspicion_and_an_older_one_does_not() -> None:
    for when, injured in (("2026-01-31T09:30:00Z", False), ("2026-01-31T08:30:00Z", True)):
        denied = observation("n", "known-neck-injury", valueBoolean=False, effectiveDateTime=when)
        assert facts(suspected("S12.9XXA"), denied) == {"known_neck_injury": injured}


# --- answers and findings as records write them ------------------------------------------------------------------------------

INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"


@pytest.mark.parametrize(
    ("value", "answer"),
    [
        ({"valueCodeableConcept": concept("52101004", SNOMED)}, True),
        ({"valueCodeableConcept": concept("2667000", SNOMED)}, False),
        ({"valueCodeableConcept": concept("10828004", SNOMED)}, True),
        ({"valueCodeableConcept": concept("260385009", SNOMED)}, False),
        ({"valueCodeableConcept": concept("LA9633-4", LOINC)}, True),
        ({"valueCodeableConcept": concept("LA9634-2", LOINC)}, False),
        ({"valueCodeableConcept": concept("POS", INTERPRETATION)}, True),
        ({"valueCodeableConcept": concept("NEG", INTERPRETATION)}, False),
        ({"valueCodeableConcept": {"text": "Present"}}, True),
        ({"valueCodeableConcept": {"text": " negative "}}, False),
        ({"valueCodeableConcept": {"coding": [{"system": "urn:x", "code": "7"}], "text": "Absent"}}, False),
        ({"valueString": "Positive"}, True),
        ({"valueCodeableConcept": {**concept("373066001", SNOMED), "text": "Absent"}}, True),  # Codes go before words.
    ],
)
def test_present_and_absent_are_a_yes_and_a_no(value: Resource, answer: bool) -> None:
    """SNOMED CT qualifier values, LOINC answers and HL7 interpretations, as public implementation guides write them."""
    assert facts(observation("o", "airway-threat", **value)) == {"airway_threat": answer}


@pytest.mark.parametrize("text", ["possibly present", "unknown", "not present", ""])
def test_other_words_are_neither(text: str) -> None:
    assert facts(observation("o", "airway-threat", valueCodeableConcept={"text": text})) == {}


@pytest.mark.parametrize(("system", "code"), [(SNOMED, "404684003"), (LOINC, "29308-4")])
def test_a_finding_that_is_the_value_of_an_observation_is_read(system: str, code: str) -> None:
    found = observation("o", code, system, valueCodeableConcept=STRIDOR)
    assert facts(found) == {"airway_threat": True}
    assert reasons(found) == []
    assert facts(found | {"status": "preliminary"}) == {}


def test_a_finding_under_another_question_is_not_read_and_named_where_it_is_of_now() -> None:
    found = observation("o", "1", "urn:x", valueCodeableConcept=STRIDOR) | {"code": {"text": "Breathing"}}
    assert facts(found) == {}
    assert [one.kind for one in reading(found).not_used] == ["unread"]
    family = found | {"code": {"text": "Family history"}}
    assert [one.kind for one in reading(family).not_used] == ["code"]


@pytest.mark.parametrize(
    ("value", "when", "kind"),
    [
        ("Stridor at rest, getting worse", {}, "unread"),
        ("Stridor at rest, getting worse", {"effectiveDateTime": "2026-01-29T09:00:00Z"}, "code"),
        ("Stridor at rest, getting worse", {"status": "cancelled"}, "code"),
        ("No stridor", {}, "code"),
        ("patent", {}, "code"),
    ],
)
def test_what_an_examination_of_today_found_in_words_is_for_a_person_to_read(
    value: str, when: Resource, kind: str
) -> None:
    found = observation("o", "1", "urn:x", valueString=value, **when)
    (refused,) = reading(found | {"code": {"text": "Airway assessment"}}).not_used
    assert refused.kind == kind


@pytest.mark.parametrize(
    ("system", "code", "value"),
    [
        (LOINC, "LA9340-6", "alert"),
        (LOINC, "LA17108-4", "voice"),
        (LOINC, "LA17107-6", "pain"),
        (LOINC, "LA9343-0", "unresponsive"),
        (SNOMED, "248234008", "alert"),
        (SNOMED, "300202002", "voice"),
        (SNOMED, "450847001", "pain"),
        (SNOMED, "422768004", "unresponsive"),
    ],
)
def test_alertness_by_its_codes(system: str, code: str, value: str) -> None:
    """The answers to LOINC 67775-7 and the SNOMED CT codes of AVPU, as public implementation guides list them."""
    assert facts(observation("o", "67775-7", LOINC, valueCodeableConcept=concept(code, system))) == {
        "responsiveness": value
    }


def coma_parts(*points: int | str, **fields: Any) -> list[Resource]:
    """Eye opening, verbal and motor response."""
    codes = ("9267-6", "9270-0", "9268-4")
    values = [
        {"valueInteger": one} if isinstance(one, int) else {"valueCodeableConcept": concept(one, LOINC)}
        for one in points
    ]
    return [observation(code, code, LOINC, **value, **fields) for code, value in zip(codes, values, strict=False)]


def test_a_coma_score_in_parts_is_added_up() -> None:
    """LOINC 9269-2 is the total of 9267-6, 9270-0 and 9268-4; the answers are those of their normative answer lists."""
    assert facts(*coma_parts(2, 2, 4)) == {"glasgow_coma_score": 8}
    assert facts(*coma_parts("LA6554-5", "LA6558-6", "LA6565-1")) == {"glasgow_coma_score": 8}
    panel = observation("o", "35088-4", LOINC, component=[*coma_parts(1, 1, 3)])
    assert facts(panel) == {"glasgow_coma_score": 5}
    score = quantity(4, "{score}")
    motor = [*coma_parts(2, 2), observation("m", "9268-4", LOINC, valueQuantity=score)]
    assert facts(*motor) == {"glasgow_coma_score": 8}


def test_parts_that_do_not_make_a_score_are_listed() -> None:
    assert facts(*coma_parts(2, 2)) == {}
    assert reasons(*coma_parts(2, 2)) == ["2 of 3 parts of the score, and no total"]
    twice = [*coma_parts(2, 2, 4), observation("x", "9268-4", LOINC, valueInteger=5)]
    assert facts(*twice) == {}
    assert "two values" in reasons(*twice)[0]
    other_times = [*coma_parts(2, 2), *coma_parts(2, 2, 4, effectiveDateTime="2026-01-31T08:00:00Z")[2:]]
    assert facts(*other_times) == {}
    assert facts(*coma_parts(2, 2, 4, status="preliminary")) == {}


def test_a_total_of_the_same_moment_has_to_agree_and_a_newer_one_goes_first() -> None:
    total = observation("t", "9269-2", LOINC, valueInteger=9)
    assert facts(*coma_parts(2, 2, 4), total) == {}
    assert facts(*coma_parts(2, 2, 4), total | {"effectiveDateTime": "2026-01-31T09:30:00Z"}) == {
        "glasgow_coma_score": 9
    }


# --- which injury a record is about ------------------------------------------------------------------------------------------

HURT = observation("hurt", "blunt-injury", valueBoolean=True)
EARLIER = {"effectiveDateTime": "2026-01-29T10:00:00Z"}


def answers_of(when: Resource) -> list[Resource]:
    coded = {"ct-neck": "negative", "wear-order": "when-upright"}
    yes = (
        "clearance-recorded",
        "ct-neck-high-quality",
        "walked-since-injury",
        "specialist-order",
        "removal-for-care-allowed",
    )
    return [
        *(observation(code, code, valueBoolean=True) | when for code in yes),
        *(observation(code, code, valueCodeableConcept=concept(value, VALUES)) | when for code, value in coded.items()),
    ]


@pytest.mark.parametrize("answer", answers_of(EARLIER), ids=lambda answer: str(answer["id"]))
def test_what_answers_for_an_earlier_injury_is_refused_and_named(answer: Resource) -> None:
    assert facts(HURT, answer) == {"blunt_injury": True}
    (refused,) = reading(HURT, answer).not_used
    assert refused.kind == "before injury"
    assert refused.reason.startswith("before the injury of 2026-01-31 09:00")
    assert refused.look_up is not None and "before the injury of 2026-01-31 09:00" in refused.look_up
    assert len(facts(HURT, answer | {"effectiveDateTime": "2026-01-31T09:00:00Z"})) == 2
    assert len(facts(answer)) == 1
    assert facts(HURT | {"valueBoolean": False}, answer).keys() > {"blunt_injury"}


def test_an_answer_without_a_time_may_be_about_an_earlier_injury() -> None:
    (undated,) = [one | {"effectiveDateTime": None} for one in answers_of({}) if one["id"] == "specialist-order"]
    assert facts(HURT, undated) == {"blunt_injury": True}
    assert "it may be about an earlier injury" in reasons(HURT, undated)[0]
    assert facts(undated) == {"specialist_order": True}


def test_a_positive_ct_of_before_the_injury_stays() -> None:
    positive = observation("ct", "ct-neck", valueCodeableConcept=concept("positive", VALUES)) | EARLIER
    assert facts(HURT, positive)["ct_neck"] == "positive"


def test_who_notes_an_injury_again_does_not_make_it_a_new_one() -> None:
    """Noted at admission and on two days after it, each time within a day; cleared in between."""
    noted = [
        observation(f"n{day}", "blunt-injury", valueBoolean=True, effectiveDateTime=f"2026-01-{day}T09:00:00Z")
        for day in (29, 30, 31)
    ]
    cleared = observation("c", "clearance-recorded", valueBoolean=True, effectiveDateTime="2026-01-29T15:00:00Z")
    assert facts(*noted, cleared)["clearance_recorded"] is True
    fallen = [noted[0], noted[2]]
    assert "clearance_recorded" not in facts(*fallen, cleared)


@pytest.mark.parametrize(("hours", "counts"), [(30, True), (2, False)])
def test_the_hours_since_the_injury_say_when_it_was_where_they_are_noted_with_it(hours: int, counts: bool) -> None:
    since = observation("h", "hours-since-injury", valueQuantity=quantity(hours, "h"))
    cleared = observation("c", "clearance-recorded", valueBoolean=True, effectiveDateTime="2026-01-30T08:00:00Z")
    assert ("clearance_recorded" in facts(HURT, since, cleared)) is counts
    older = since | {"effectiveDateTime": "2026-01-30T08:30:00Z"}
    assert "clearance_recorded" not in facts(HURT, older, cleared)


def test_an_injury_may_be_noted_after_its_ct_unless_the_ct_had_an_injury_of_its_own() -> None:
    ct = observation("ct", "ct-neck", valueCodeableConcept=concept("negative", VALUES))
    of_today = ct | {"effectiveDateTime": "2026-01-30T20:00:00Z"}
    assert "ct_neck" in facts(HURT, of_today)
    assert "ct_neck" not in facts(HURT, ct | {"effectiveDateTime": "2026-01-30T08:00:00Z"})
    fallen_before = observation("b", "blunt-injury", valueBoolean=True, effectiveDateTime="2026-01-29T08:00:00Z")
    assert "ct_neck" not in facts(HURT, fallen_before, of_today)


@pytest.mark.parametrize(("fact", "days"), [("pregnant", 280), ("late-pregnancy", 154)])
def test_a_pregnancy_lapses_after_its_length(fact: str, days: int) -> None:
    """40 weeks, and from the 20th to the 42nd."""
    for age, there in ((days, True), (days + 1, False)):
        noted = (AT - timedelta(days=age)).isoformat()
        found = facts(observation("o", fact, valueBoolean=True, effectiveDateTime=noted))
        assert bool(found) is there


# --- a date of birth that is a year or a month --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("born", "age", "group"),
    [
        ("2025", None, "infant"),  # 0.1 to 1.1 years
        ("2024", 1, None),
        ("2023", None, "toddler"),  # 2.1 to 3.1
        ("2022", None, "young_child"),  # 3.1 to 4.1
        ("2018", None, "child"),  # 7.1 to 8.1
        ("2014", None, "child"),  # 11.1 to 12.1
        ("2008", None, "adolescent"),  # 17.1 to 18.1
        ("2007", 18, None),
        ("1961", None, "adult"),  # 64.1 to 65.1
    ],
)
def test_a_coarse_date_of_birth_gives_the_smaller_of_the_lines_that_it_allows(
    born: str, age: int | None, group: str | None
) -> None:
    """The lines begin at 1, 3, 7, 12 and 18 years (parameters of the rule set)."""
    sent = read(bundle(patient(birthDate=born)), ruleset(), code_map(), AT)
    known = {fact.name: fact.value for fact in sent.facts}
    assert known.get("apparent_age_group") == group
    assert (None if "age_years" not in known else int(known["age_years"])) == age
    assert [one.kind for one in sent.not_used] == ([] if age is not None else ["coarse"])


@pytest.mark.parametrize("born", [str(year) for year in range(2008, 2026)])
def test_nobody_whom_the_date_of_birth_makes_a_child_is_offered_an_adult_size(born: str) -> None:
    sent = read(bundle(patient(birthDate=born), HURT), ruleset(), code_map(), AT)
    decision = Decider(ruleset()).decide(list(sent.facts), AT, not_used=sent.not_used)
    assert "sizing.line.if_adult" not in {entry.rule for entry in decision.trace}
    lines = {candidate.size_class.values["line"] for candidate in decision.candidates}
    assert lines and "adult" not in lines


def test_what_an_examiner_sees_stands_above_a_coarse_date_of_birth() -> None:
    seen = observation("o", "apparent-age-group", valueCodeableConcept=concept("adult", VALUES))
    sent = read(bundle(patient(birthDate="2008"), seen), ruleset(), code_map(), AT)
    assert {fact.name: fact.value for fact in sent.facts}["apparent_age_group"] == "adult"


# --- collars in use, and codes ----------------------------------------------------------------------------------------------

COLLAR = {"device": {"display": "Rigid neck collar"}, "status": "active"}


def used(identity: str, **timing: Any) -> Resource:
    return of_patient("DeviceUseStatement", identity, **COLLAR, timingPeriod=timing)


def test_a_use_that_ended_and_is_active_is_a_contradiction() -> None:
    ended = used("u", start="2026-01-25T10:00:00Z", end="2026-01-28T10:00:00Z")
    assert facts(ended) == {}
    assert [(one.kind, one.fact) for one in reading(ended).not_used] == [("contradiction", "collar_in_place")]
    assert [one.look_up for one in reading(ended).not_used] == ["a collar in use that ended 2026-01-28T10:00:00Z"]
    assert facts(used("u", start="2026-01-25T10:00:00Z", end="2026-01-31"))["collar_in_place"] is True
    assert facts(used("u", start="2026-01-25T10:00:00Z", end="2026-02-28"))["collar_in_place"] is True


def test_of_two_collars_in_use_the_older_record_is_listed() -> None:
    both = [used("old", start="2026-01-28T10:00:00Z"), used("new", start="2026-01-30T10:00:00Z")]
    assert facts(*both)["collar_hours"] == 24
    assert [(one.kind, one.reference) for one in reading(*both).not_used] == [
        ("contradiction", "DeviceUseStatement/old")
    ]
    assert reading(both[0]).not_used == ()


@pytest.mark.parametrize(
    ("code", "meant"), [("neck-height-mm", "neck-height"), ("airway-threatt", "airway-threat"), ("xyzzy", None)]
)
def test_an_own_code_that_is_misspelt_names_the_nearest(code: str, meant: str | None) -> None:
    (reason,) = reasons(observation("o", code, valueBoolean=True))
    assert reason.endswith("`nuque facts` lists them")
    assert (f"did you mean {meant}?" in reason) if meant else ("did you mean" not in reason)


# --- exactly what is said of whole records -------------------------------------------------------------------------------


def _said(result: Reading) -> list[tuple[str | None, str, str, str, str | None, str | None]]:
    """What is not used, in its order: fact, value, kind, reason, record, and what is to be looked up."""
    return [(one.fact, one.value, one.kind, one.reason, one.reference, one.look_up) for one in result.not_used]


def _foreign(kind: str, label: str, reason: str) -> tuple[None, str, str, str, str, None]:
    return None, kind, "patient", reason, label, None


def _anothers(reference: str) -> str:
    return f"belongs to {reference}, not to the patient asked for"


_OTHER = {"subject": {"reference": "Patient/other"}}
_NOBODY = "does not say whose record it is"


@pytest.mark.parametrize(
    "kind",
    [
        "Observation",
        "Condition",
        "Procedure",
        "ServiceRequest",
        "QuestionnaireResponse",
        "DeviceUseStatement",
        "Encounter",
    ],
)
def test_a_record_of_another_patient_or_of_nobody_is_listed_whatever_its_type(kind: str) -> None:
    sent = [
        of_patient(kind, "a", **_OTHER),
        of_patient(kind, "b", subject="Patient/p"),
        {**of_patient(kind, "c"), "subject": {}},
    ]
    assert _said(reading(*sent)) == [
        _foreign(kind, f"{kind}/a", _anothers("Patient/other")),
        _foreign(kind, f"{kind}/b", _NOBODY),
        _foreign(kind, f"{kind}/c", _NOBODY),
    ]


def test_several_references_lead_to_the_patient_and_others_between_them_do_not() -> None:
    ways = ["Patient/p", "Patient/other", "Patient/p/_history/1", "Patient/p", "Patient/other", "Patient/p/_history/1"]
    at = [
        {"effectiveDateTime": f"2026-01-31T0{hour}:00:00Z", "subject": {"reference": way}}
        for hour, way in enumerate(ways)
    ]
    result = reading(*(neck(str(number), 400 + number, **when) for number, when in enumerate(at)))
    assert dict(_named(result))["neck_circumference_mm"] == 405
    assert _said(result) == [
        _foreign("Observation", f"Observation/{number}", _anothers("Patient/other")) for number in (1, 4)
    ]


@pytest.mark.parametrize(
    ("sent", "patient_named", "expected"),
    [
        # The one Patient that was sent, else the one of whom the records are.
        ([patient()], None, "Patient/p"),
        ([neck("n", 400)], None, "Patient/p"),
        *[
            ([of_patient(kind, "x")], None, "Patient/p")
            for kind in (
                "Observation",
                "Condition",
                "Procedure",
                "ServiceRequest",
                "DeviceRequest",
                "DeviceUseStatement",
                "QuestionnaireResponse",
                "Encounter",
            )
        ],
        ([of_patient("Device", "x")], None, None),
        ([patient(), neck("n", 400, **_OTHER)], None, "Patient/p"),
        ([], None, None),
        ([neck("n", 400, subject=None)], None, None),
        # Whoever is asked for, by an id or a reference.
        ([patient()], "p", "Patient/p"),
        ([patient()], "Patient/p", "Patient/p"),
        ([patient()], "urn:uuid:p", "Patient/p"),
        ([patient()], "https://ehr.example/fhir/Patient/p", "Patient/p"),
        ([neck("n", 400)], "p", "Patient/p"),
        ([neck("n", 400)], "urn:uuid:p", "urn:uuid:p"),
        ([patient()], "q", "Patient/q"),
        ([patient(), patient(id="q")], "q", "Patient/q"),
    ],
)
def test_which_patient_is_meant(sent: list[Resource], patient_named: str | None, expected: str | None) -> None:
    assert read(bundle(*sent), ruleset(), code_map(), AT, patient_named).patient == expected


def test_a_patient_without_an_id_is_told_by_its_place() -> None:
    nameless = {key: value for key, value in patient(name=[{"family": "Test"}]).items() if key != "id"}
    result = read(bundle(nameless), ruleset(), code_map(), AT)
    assert (result.patient, result.patient_name) == ("Patient at Bundle.entry[0]", "Test")
    assert dict(_named(result)) == {"age_years": AGE_OF_PATIENT, "sex": "female"}


AGE_OF_PATIENT = 45 + 271 / 365
"""Of the usual patient, born on 1980-05-05, on 2026-01-31."""


@pytest.mark.parametrize(
    ("ids", "message"),
    [
        (["b", "a"], "records of 2 patients (Patient/a, Patient/b): say which patient is meant"),
        (
            list("gfedcba"),
            "records of 7 patients (Patient/a, Patient/b, Patient/c, Patient/d, Patient/e): say which patient is meant",
        ),
    ],
)
def test_several_patients_and_nobody_asked_for_are_named(ids: list[str], message: str) -> None:
    people = [patient(id=one) for one in ids]
    records = [neck(one, 400, subject={"reference": f"Patient/{one}"}) for one in ids]
    for sent in (bundle(*people), bundle(*records)):
        with pytest.raises(ReadingError) as error:
            read(sent, ruleset(), code_map(), AT)
        assert str(error.value) == message


def test_the_moment_of_reading_without_a_time_zone_is_refused_with_an_example() -> None:
    with pytest.raises(
        ValueError, match=r"^the moment of reading needs a time zone, for example 2026-01-31T10:00:00Z$"
    ):
        read(bundle(), ruleset(), code_map(), datetime(2026, 1, 31))


def test_of_several_records_of_the_patient_each_says_what_it_knows() -> None:
    """The name of the first that has one, and whether any says that the patient died."""
    bare, named = patient(), patient(name=[{"text": "Ada Test"}], deceasedBoolean=True)
    result = read(bundle(bare, named, patient(name=[{"text": "Other"}])), ruleset(), code_map(), AT)
    assert (result.patient, result.patient_name, result.deceased) == ("Patient/p", "Ada Test", True)
    assert (reading().patient_name, reading().deceased) == (None, False)


ANOTHER = "record of another patient among these"
_ASKED = "another patient; asked for is Patient/p"


def _doubts(result: Reading) -> list[str]:
    return [str(fact.original) for fact in result.facts if fact.name == "identity_doubtful"]


def test_records_of_others_are_a_doubt_unless_the_patient_was_picked_out_of_them() -> None:
    sent = bundle(patient(), patient(id="q"), neck("n", 400, **_OTHER))
    listed = [
        (None, "Patient", "patient", _ASKED, "Patient/q", None),
        _foreign("Observation", "Observation/n", _anothers("Patient/other")),
    ]
    picked = read(sent, ruleset(), code_map(), AT, "p")
    called = read_called(sent, ruleset(), code_map(), AT, "Patient/p", None)
    assert (_doubts(picked), _said(picked)) == ([], listed)
    assert (_doubts(called), _said(called)) == ([ANOTHER], listed)
    for one in (bundle(patient(), patient(id="q")), bundle(patient(), neck("n", 400, **_OTHER))):
        assert _doubts(read_called(one, ruleset(), code_map(), AT, "Patient/p", None)) == [ANOTHER]
    nobodys = bundle(patient(), neck("n", 400, subject=None))
    assert _doubts(read_called(nobodys, ruleset(), code_map(), AT, "Patient/p", None)) == []


def test_a_call_says_whose_records_and_which_encounter_are_meant() -> None:
    sent = bundle(patient(), _encounter("e"), _encounter("f", **{"class": {"system": ACT, "code": "EMER"}}))
    named = read_called(sent, ruleset(), code_map(), AT, "Patient/p", "Encounter/f")
    assert (named.patient, named.encounter, dict(_named(named))["setting"]) == ("Patient/p", "Encounter/f", "emergency")
    missing = read_called(sent, ruleset(), code_map(), AT, None, "Encounter/x")
    assert (missing.patient, missing.encounter, "setting" in dict(_named(missing))) == (
        "Patient/p",
        "Encounter/x",
        False,
    )
    assert read_called(bundle(), ruleset(), code_map(), AT, None, None).encounter is None


def test_what_is_refused_stands_in_a_fixed_order() -> None:
    """What was no record, other patients, their records, then what was refused of the patient's own."""
    sent = bundle("x", patient(), patient(id="q"), neck("n", 4000), neck("o", 400, **_OTHER))
    assert [one.reference for one in read(sent, ruleset(), code_map(), AT, "p").not_used] == [
        "Bundle.entry[0]",
        "Patient/q",
        "Observation/o",
        "Observation/n",
    ]


def test_an_element_that_changes_the_meaning_of_patient_or_encounter_refuses_it() -> None:
    rules = {"implicitRules": "http://x.example"}
    text = "the resource carries implicitRules, which may change its meaning"
    result = read(bundle(patient(**rules), _encounter(**rules)), ruleset(), code_map(), AT)
    assert result.facts == ()
    assert [(fact, kind, reason) for fact, _, kind, reason, *_ in _said(result)] == [
        (fact, "modifier", text) for fact in ("age_years", "sex", "setting")
    ]


def test_an_element_that_changes_the_meaning_refuses_a_record_of_every_type() -> None:
    rules = {"implicitRules": "http://x.example"}
    answered = [{"linkId": "bed-rest", "answer": [{"valueBoolean": True}]}]
    sent = [
        neck("n", 400, **rules),
        _condition("c", **rules),
        of_patient("Procedure", "p", status="completed", code=concept("5601008", SNOMED), **rules),
        {**_surgery(), **rules},
        of_patient("QuestionnaireResponse", "q", status="completed", item=answered, **rules),
        _worn("w", **rules),
    ]
    assert facts(*sent) == {}
    assert {reason for reason in reasons(*sent)} == {"the resource carries implicitRules, which may change its meaning"}


MAPPED_NOT = "about neck, spine, airway or another danger, but its code is mapped to no fact: read it yourself"
NECK_PAIN = {"code": {"text": "Neck haematoma"}}


@pytest.mark.parametrize(
    ("kind", "fields", "seen"),
    [
        ("Condition", NECK_PAIN, "unread"),
        ("Condition", {**NECK_PAIN, "abatementString": "x"}, "code"),
        ("Procedure", {**NECK_PAIN, "status": "completed"}, "unread"),
        ("Procedure", {**NECK_PAIN, "status": "not-done"}, "code"),
        (
            "Observation",
            {"status": "final", "code": {"text": "Neck"}, "valueString": "haematoma of the neck"},
            "unread",
        ),
        (
            "Observation",
            {"status": "cancelled", "code": {"text": "Neck"}, "valueString": "haematoma of the neck"},
            "code",
        ),
        ("ServiceRequest", {**NECK_PAIN, "status": "active", "intent": "order"}, None),
    ],
)
def test_what_is_about_the_neck_and_mapped_to_no_fact_is_listed(kind: str, fields: Resource, seen: str | None) -> None:
    words = "Neck, haematoma of the neck" if kind == "Observation" else "Neck haematoma"
    look_up = words if seen == "unread" else None
    expected = [(None, words, seen, MAPPED_NOT, f"{kind}/x", look_up)] if seen else []
    assert _said(reading(of_patient(kind, "x", **fields))) == expected


def _report(kind: str, **fields: Any) -> Resource:
    return of_patient(kind, "r", **{"status": "final", "code": {"text": "Neck haematoma"}, **fields})


def _no_facts(kind: str) -> str:
    return f"{kind} about neck, spine, airway or another danger gives no facts: read it yourself"


NOT_READ = (
    "DiagnosticReport",
    "ImagingStudy",
    "Flag",
    "ClinicalImpression",
    "DetectedIssue",
    "RiskAssessment",
    "AllergyIntolerance",
    "NutritionOrder",
    "DocumentReference",
    "Composition",
    "Media",
)


@pytest.mark.parametrize("kind", NOT_READ)
def test_a_record_of_a_type_without_facts_is_listed_for_a_person(kind: str) -> None:
    listed = (None, "Neck haematoma", "unread", _no_facts(kind), f"{kind}/r", "Neck haematoma")
    assert _said(reading(_report(kind))) == [listed]


NINETY = (AT - timedelta(days=90)).isoformat()
OLDER = (AT - timedelta(days=90, seconds=1)).isoformat()


@pytest.mark.parametrize(
    ("fields", "seen"),
    [
        *[({"status": status}, None) for status in ("entered-in-error", "cancelled", "registered")],
        *[({"status": status}, "code") for status in ("inactive", "completed", "revoked", "superseded")],
        ({"status": None}, "unread"),
        ({"subject": None}, "unread"),  # Nobody can say whose it is.
        ({"subject": None, "patient": {"reference": "Patient/other"}}, None),
        ({"subject": None, "patient": {"reference": "Patient/p"}}, "unread"),
        ({"patient": {"reference": "Patient/other"}}, "unread"),
        (_OTHER, None),
        ({"code": {"text": "Knee"}}, None),
        # Written of a time that is long over: the keys under which the types of FHIR R4 say when.
        *[
            ({key: NINETY}, "unread")
            for key in ("effectiveDateTime", "issued", "date", "started", "recordedDate", "dateTime", "created")
        ],
        *[
            ({key: OLDER}, "code")
            for key in ("effectiveDateTime", "issued", "date", "started", "recordedDate", "dateTime", "created")
        ],
        ({"effectiveDateTime": NINETY, "issued": OLDER}, "unread"),
        ({"effectiveDateTime": "soon", "issued": OLDER}, "code"),
        ({"date": "2020-01-01"}, "code"),
        ({"authored": OLDER}, "unread"),
    ],
)
def test_whether_what_gives_no_facts_may_be_so_now(fields: Resource, seen: str | None) -> None:
    assert [(kind, value) for _, value, kind, *_ in _said(reading(_report("DiagnosticReport", **fields)))] == (
        [(seen, "Neck haematoma")] if seen else []
    )


def test_a_date_of_such_a_record_is_a_day_where_the_reading_takes_place() -> None:
    """The day begins twelve hours later far in the west, and ninety days are not over then."""
    west = AT.astimezone(timezone(timedelta(hours=-12)))
    found = [_said(reading(_report("Media", created="2025-11-02"), at=at))[0][2] for at in (AT, west)]
    assert found == ["code", "unread"]


LOOKS_LIKE = (
    "may be about a neck collar, but is not read as an order of a rigid one: where it is one, add its code or its text to the "
    "code map"
)


@pytest.mark.parametrize(
    ("kind", "fields", "listed"),
    [
        ("ServiceRequest", {"code": {"text": "Soft collar"}}, True),
        ("DeviceRequest", {"codeCodeableConcept": {"text": "Soft collar"}}, True),
        *[
            ("DeviceRequest", {"codeCodeableConcept": {"text": "Soft collar"}, "status": status}, True)
            for status in ("draft", "on-hold")
        ],
        *[
            ("DeviceRequest", {"codeCodeableConcept": {"text": "Soft collar"}, "status": status}, False)
            for status in ("revoked", "completed", None)
        ],
        ("DeviceRequest", {"codeCodeableConcept": {"text": "Soft collar"}, **_OTHER}, False),
        ("DeviceRequest", {"codeCodeableConcept": {"text": "Soft collar"}, "subject": None}, True),
        ("DeviceRequest", {"codeCodeableConcept": {"text": "Rigid cervical collar"}}, False),
        ("DeviceRequest", {"codeCodeableConcept": {"text": "Walker"}}, False),
    ],
)
def test_an_order_that_stands_and_may_be_for_a_collar_is_listed(kind: str, fields: Resource, listed: bool) -> None:
    result = reading(of_patient(kind, "o", **{"status": "active", "intent": "order", **fields}))
    found = [one for one in _said(result) if one[2] == "code"]
    assert found == ([(None, "Soft collar", "code", LOOKS_LIKE, f"{kind}/o", None)] if listed else [])


def test_a_device_of_the_patient_is_listed_and_another_ones_is_not() -> None:
    collar = {"resourceType": "Device", "type": {"text": "Soft collar"}}
    owners = [{"reference": "Patient/p"}, {"reference": "Patient/other"}, {"display": "p"}]
    result = reading(
        *({**collar, "id": str(number), "patient": owner} for number, owner in enumerate(owners)), {**collar, "id": "9"}
    )
    assert [one.reference for one in result.not_used] == ["Device/0"]


def test_a_collar_is_told_by_the_device_that_was_sent_along() -> None:
    device = {"resourceType": "Device", "id": "d", "type": _own_order("long-term-collar")}
    use = of_patient("DeviceUseStatement", "u", status="active", device={"reference": "Device/d"})
    assert facts(device, use) == {"collar_in_place": True, "collar_kind": "long_term"}


def test_most_records_are_told_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whose record it is, once for each way to say so; and no result of the laboratory is read further."""
    asked, looked_at = [], []
    whose, read_one = _PatientReading._foreign, ObservationReader.observation
    monkeypatch.setattr(_PatientReading, "_foreign", lambda self, one: asked.append(one.label) or whose(self, one))
    monkeypatch.setattr(
        ObservationReader, "observation", lambda self, one: looked_at.append(one.label) or read_one(self, one)
    )
    sodium = [observation(name, "2951-2", LOINC, valueQuantity=quantity(140, "mmol/L")) for name in ("a", "b")]
    assert facts(*sodium, neck("n", 400), neck("o", 400, subject={"reference": "urn:uuid:p"})) == {
        "neck_circumference_mm": 400
    }
    assert (asked, looked_at) == (["Observation/a", "Observation/o"], ["Observation/n", "Observation/o"])


# --- what stands inside other records -----------------------------------------------------------------------------------

UNSTABLE = {"resourceType": "Condition", "id": "c1", "code": {"text": "Unstable C5 fracture"}}
STAY = of_patient("Encounter", "e", status="in-progress", diagnosis=[{"condition": {"reference": "#c1"}}])
FOUND = {"resourceType": "Observation", "id": "o1", "code": {"text": "finding"}, "valueString": "Unstable C5 fracture"}
REPORT = of_patient("DiagnosticReport", "r", status="final", code={"text": "CT"}, result=[{"reference": "#o1"}])
STRIDOR_INSIDE = {"resourceType": "Condition", "id": "s", "code": concept("70407001", SNOMED)}


@pytest.mark.parametrize(
    ("around", "inner", "fact", "look_up", "may_be"),
    [
        (STAY, UNSTABLE, None, "Unstable C5 fracture", "known_neck_injury"),
        (of_patient("Procedure", "p", status="completed"), UNSTABLE, None, "Unstable C5 fracture", "known_neck_injury"),
        (REPORT, FOUND, None, "finding, Unstable C5 fracture", "known_neck_injury"),
        # Its subject may stand beside it, or be the patient.
        (STAY, {**UNSTABLE, "subject": {"reference": "#p"}}, None, "Unstable C5 fracture", "known_neck_injury"),
        (STAY, {**UNSTABLE, "subject": {"reference": "Patient/p"}}, None, "Unstable C5 fracture", "known_neck_injury"),
        # What would be a fact is none here.
        (
            STAY,
            STRIDOR_INSIDE,
            "airway_threat",
            "airway threatened: 70407001 (stands inside another record (contained), and gives no facts: read it yourself)",
            "airway_threat",
        ),
        (
            REPORT,
            {"resourceType": "Flag", "id": "f", "status": "active", "code": {"text": "Unstable C5 fracture"}},
            None,
            "Unstable C5 fracture",
            "known_neck_injury",
        ),
    ],
)
def test_a_danger_inside_another_record_is_to_be_looked_up(
    around: Resource, inner: Resource, fact: str | None, look_up: str, may_be: str
) -> None:
    result = reading({**around, "contained": [inner]})
    assert {one.name for one in result.facts} == {"age_years", "sex"}
    (listed,) = [one for one in result.not_used if one.look_up]
    assert (listed.fact, listed.look_up, listed.may_be) == (fact, look_up, may_be)
    assert listed.reference == f"{around['resourceType']}/{around['id']}#{inner['id']}"


@pytest.mark.parametrize(
    ("around", "inner"),
    [
        # Over, entered in error, of somebody else, refuted; and what is no danger.
        ({**STAY, "status": "finished"}, UNSTABLE),
        ({**STAY, "status": "entered-in-error"}, UNSTABLE),
        ({**STAY, "subject": {"reference": "Patient/q"}}, UNSTABLE),
        ({**REPORT, "issued": "2025-01-31T09:00:00Z"}, FOUND),
        (STAY, {**UNSTABLE, "subject": {"reference": "Patient/q"}}),
        (STAY, {**UNSTABLE, "verificationStatus": {"coding": [{"code": "refuted"}]}}),
        (STAY, {**STRIDOR_INSIDE, "verificationStatus": {"coding": [{"code": "refuted"}]}}),
        (STAY, {**UNSTABLE, "code": {"text": "Ingrown nail"}}),
        (STAY, patient(id="c1")),
        (STAY, {"resourceType": "Device", "id": "c1", "type": {"text": "Pacemaker"}}),
        (STAY, "Unstable C5 fracture"),
    ],
)
def test_what_is_no_danger_of_now_inside_another_record_is_not_named(around: Resource, inner: Any) -> None:
    result = reading({**around, "contained": [inner]})
    assert {fact.name for fact in result.facts} >= {"age_years", "sex"}
    assert not any(one.look_up for one in result.not_used)


def test_a_record_of_somebody_else_inside_another_is_listed_and_puts_no_identity_in_doubt() -> None:
    result = reading({**STAY, "contained": [{**UNSTABLE, "subject": {"reference": "Patient/q"}}]})
    assert [(one.kind, one.reference) for one in result.not_used] == [("patient", "Encounter/e#c1")]
    assert "identity_doubtful" not in {one.name for one in result.facts}
