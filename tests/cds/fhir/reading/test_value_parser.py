"""Names of ``value[x]``: Observation of FHIR R4 and its data types. Units: UCUM. Answers of yes and no: HL7 table 0136."""

import math
from dataclasses import replace
from typing import Any

import pytest

from cds.fhir.reading.code_map import CodeMap, Meaning
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.reading.value_parser import (
    RefusedValue,
    Value,
    implied_values,
    stated_value,
    unit_of_quantity,
    units_of_counts,
)
from rules.model.facts import FactDefinition
from tests.cds.fhir.reading.sent import SNOMED, UCUM, VALUES, Resource, code_map, concept, quantity, ruleset

YES_NO = "http://terminology.hl7.org/CodeSystem/v2-0136"
MM, FINGERS = "a number from 10 to 200 mm", "a whole or half number from 0.5 to 10 fingers"
GIRTH = "a number from 100 to 1000 mm"
COMA = "a whole number from 3 to 15 points"
BUILD = "one of slight, average, heavy, very_heavy"
BOTH = ("neck_height_mm", "neck_height_fingers")


def stated(facts: str | tuple[str, ...], holder: Resource, by: CodeMap | None = None, value: Any = None) -> Value:
    named = (facts,) if isinstance(facts, str) else facts
    return stated_value(holder, tuple(Meaning(fact, value) for fact in named), by or code_map())


def coded(*codings: tuple[str, str], **fields: Any) -> Resource:
    written = [{"system": system, "code": code} for system, code in codings]
    return {"valueCodeableConcept": {"coding": written, **fields}}


def worded(text: str) -> Resource:
    return {"valueCodeableConcept": {"text": text}}


@pytest.mark.parametrize(
    ("facts", "holder", "expected"),
    [
        # Yes and no.
        ("bed_rest", {"valueBoolean": True}, (True, "true")),
        ("bed_rest", {"valueBoolean": False}, (False, "false")),
        ("bed_rest", coded((YES_NO, "Y")), (True, "Y")),
        ("bed_rest", coded((YES_NO, "N")), (False, "N")),
        ("bed_rest", coded((YES_NO, "Y"), (SNOMED, "373066001")), (True, "Y 373066001")),
        ("bed_rest", coded(("http://x.example", "x"), (YES_NO, "N")), (False, "x N")),
        ("bed_rest", {"valueCoding": {"system": YES_NO, "code": "Y"}}, (True, "Y")),
        ("bed_rest", {"valueString": "yes"}, (True, "yes")),
        ("bed_rest", {"valueString": " NO "}, (False, "NO")),
        ("bed_rest", worded("present"), (True, "present")),
        ("bed_rest", coded(("http://x.example", "x"), text="absent"), (False, "absent")),
        ("bed_rest", coded((YES_NO, "Y"), text="absent"), (True, "Y")),
        # Codes.
        ("habitus", coded((VALUES, "very-heavy")), ("very_heavy", "very-heavy")),
        ("habitus", coded((VALUES, "very_heavy")), ("very_heavy", "very_heavy")),
        ("habitus", coded((VALUES, "x"), (VALUES, "slight")), ("slight", "x slight")),
        ("habitus", {"valueString": "Very_Heavy"}, ("very_heavy", "Very_Heavy")),
        ("habitus", {"valueCoding": {"system": VALUES, "code": "heavy"}}, ("heavy", "heavy")),
        ("habitus", worded("average"), ("average", "average")),
        # Numbers.
        ("neck_circumference_mm", {"valueQuantity": quantity(16, "[in_i]")}, (406.4, "16 inches")),
        ("neck_circumference_mm", {"valueQuantity": quantity(406.4, "mm")}, (406.4, "406.4 mm")),
        ("neck_circumference_mm", {"valueQuantity": {**quantity(40, "cm"), "unit": "centimetre"}}, (400.0, "40 cm")),
        ("age_years", {"valueQuantity": quantity(887.0357, "wk")}, (17.0, "887.0357 weeks")),
        ("glasgow_coma_score", {"valueInteger": 15}, (15, "15")),
        ("glasgow_coma_score", {"valueDecimal": 3.0}, (3, "3.0")),
        ("glasgow_coma_score", {"valueQuantity": quantity(7, "{score}")}, (7, "7 points")),
        ("glasgow_coma_score", {"valueQuantity": quantity(7, "1")}, (7, "7 1")),
        # A score has no unit to guess: UCUM calls {score} an annotation, which means 1. It may be written as text.
        ("glasgow_coma_score", {"valueQuantity": {"value": 7}}, (7, "7")),
        ("glasgow_coma_score", {"valueQuantity": {"value": 7, "system": UCUM}}, (7, "7")),
        ("braden_score", {"valueQuantity": {"value": 9}}, (9, "9")),
        ("glasgow_coma_score", {"valueString": "8"}, (8, "8")),
        ("glasgow_coma_score", {"valueString": " 15 "}, (15, "15")),
        ("glasgow_coma_score", {"valueQuantity": quantity(7, "{points}")}, (7, "7 points")),
        ("neck_height_fingers", {"valueInteger": 3}, (3.0, "3")),
        ("neck_height_fingers", {"valueQuantity": quantity(3.5, "{fingerbreadth}")}, (3.5, "3.5 fingerbreadth")),
    ],
)
def test_a_value_in_the_unit_of_its_fact(facts: str, holder: Resource, expected: tuple[Any, str]) -> None:
    found = stated(facts, {"id": "x", **holder})
    assert found == Value(facts, *expected)
    assert type(found.value) is type(expected[0])


NOT_YES = "neither a known yes nor a known no"
CONTRADICT = "the codes contradict each other"
NOT_KNOWN = "no code that the code map knows for this fact"
NO_BOOLEAN = "malformed: valueBoolean is neither true nor false"
NO_VALUE, NO_QUANTITY = "no value is recorded", "malformed: a quantity without a value"
GUESSED = "the unit is not a UCUM code, and a unit is never guessed; how much is it? accepted: "


@pytest.mark.parametrize(
    ("facts", "holder", "written", "kind", "reason"),
    [
        ("bed_rest", {}, "no value", "no value", NO_VALUE),
        ("bed_rest", {"values": True, "valueset": True, "value": True}, "no value", "no value", NO_VALUE),
        (
            "bed_rest",
            {"dataAbsentReason": concept("not-performed", "x")},
            "no value",
            "no value",
            "no value: not-performed",
        ),
        ("bed_rest", {"dataAbsentReason": {"text": "asleep"}}, "no value", "no value", "no value: asleep"),
        (
            "bed_rest",
            {"dataAbsentReason": {"text": "asleep", **concept("unknown", "x")}},
            "no value",
            "no value",
            "no value: asleep",
        ),
        (
            "bed_rest",
            {"dataAbsentReason": {"coding": ["x", {}, {"code": "unknown"}]}},
            "no value",
            "no value",
            "no value: unknown",
        ),
        ("bed_rest", {"dataAbsentReason": "unknown"}, "no value", "no value", NO_VALUE),
        (
            "bed_rest",
            {"valueString": "yes", "valueBoolean": True},
            "valueBoolean, valueString",
            "malformed",
            "malformed: more than one value[x]",
        ),
        # Yes and no.
        ("bed_rest", {"valueBoolean": "true"}, "true", "malformed", NO_BOOLEAN),
        ("bed_rest", {"valueBoolean": 1}, "1", "malformed", NO_BOOLEAN),
        ("bed_rest", {"valueBoolean": None}, "null", "malformed", NO_BOOLEAN),
        ("bed_rest", {"valueString": "perhaps"}, "perhaps", "code", NOT_YES),
        ("bed_rest", coded((VALUES, "perhaps")), "perhaps", "code", NOT_YES),
        ("bed_rest", coded((YES_NO, "Y"), (YES_NO, "N")), "Y N", "code", CONTRADICT),
        ("bed_rest", worded("rests"), "rests", "code", "no code, only words; accepted: true or false"),
        ("bed_rest", {"valueCodeableConcept": {}}, "no code", "code", "no code, only words; accepted: true or false"),
        (
            "bed_rest",
            {"valueCodeableConcept": "yes"},
            "yes",
            "code",
            "valueCodeableConcept cannot be read here; accepted: true or false",
        ),
        (
            "bed_rest",
            {"valueCoding": {"code": "Y"}},
            "a JSON object",
            "code",
            "valueCoding cannot be read here; accepted: true or false",
        ),
        ("bed_rest", {"valueString": 7}, "7", "code", "valueString cannot be read here; accepted: true or false"),
        ("bed_rest", {"valueInteger": 1}, "1", "code", "valueInteger cannot be read here; accepted: true or false"),
        # Codes.
        ("habitus", coded((VALUES, "giraffe")), "giraffe", "code", f"{NOT_KNOWN}; accepted: {BUILD}"),
        ("habitus", coded((YES_NO, "slight")), "slight", "code", f"{NOT_KNOWN}; accepted: {BUILD}"),
        ("habitus", coded((VALUES, "positive")), "positive", "code", f"{NOT_KNOWN}; accepted: {BUILD}"),
        (
            "habitus",
            coded((VALUES, "slight"), (VALUES, "heavy")),
            "slight heavy",
            "code",
            f"{CONTRADICT}; accepted: {BUILD}",
        ),
        ("habitus", worded("stout"), "stout", "code", f"no code, only words; accepted: {BUILD}"),
        ("habitus", {"valueBoolean": True}, "true", "code", f"valueBoolean cannot be read here; accepted: {BUILD}"),
        # Numbers.
        (
            "neck_circumference_mm",
            {"valueString": "wide"},
            "wide",
            "code",
            f"valueString is not a quantity; accepted: {GIRTH}",
        ),
        ("neck_circumference_mm", {"valueInteger": 400}, "400", "unit", f"no unit; accepted: {GIRTH}"),
        ("neck_circumference_mm", {"valueDecimal": 400.5}, "400.5", "unit", f"no unit; accepted: {GIRTH}"),
        ("neck_circumference_mm", {"valueQuantity": "400 mm"}, "400 mm", "malformed", NO_QUANTITY),
        ("neck_circumference_mm", {"valueQuantity": {"unit": "mm"}}, "a JSON object", "malformed", NO_QUANTITY),
        ("neck_circumference_mm", {"valueQuantity": {"value": 400}}, "400", "unit", f"no unit; accepted: {GIRTH}"),
        ("neck_circumference_mm", {"valueQuantity": {"value": 40, "unit": "cm"}}, "40 cm", "unit", f"{GUESSED}{GIRTH}"),
        ("neck_circumference_mm", {"valueQuantity": {"value": 40, "code": "cm"}}, "40 cm", "unit", f"{GUESSED}{GIRTH}"),
        (
            "neck_circumference_mm",
            {"valueQuantity": {"value": 40, "code": "cm", "unit": "centimetre"}},
            "40 cm",
            "unit",
            f"{GUESSED}{GIRTH}",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(40, "inch")},
            "40 inch",
            "unit",
            f"unknown unit 'inch'; how much is it? accepted: {GIRTH}",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(40, "kg")},
            "40 kg",
            "unit",
            f"the unit kg does not measure in mm; how much is it? accepted: {GIRTH}",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": {**quantity(400, "mm"), "comparator": "<"}},
            "< 400 mm",
            "no value",
            "only a limit is recorded, not a value",
        ),
        ("neck_circumference_mm", {"valueQuantity": quantity("400", "mm")}, "400", "malformed", "not a number"),
        ("neck_circumference_mm", {"valueQuantity": quantity(True, "mm")}, "true", "malformed", "not a number"),
        ("neck_circumference_mm", {"valueQuantity": quantity(None, "mm")}, "null", "malformed", "not a number"),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(math.inf, "mm")},
            "Infinity",
            "implausible",
            "not a finite number",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(math.nan, "mm")},
            "NaN",
            "implausible",
            "not a finite number",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(-1e13, "mm")},
            "-10000000000000.0",
            "implausible",
            "implausible: far beyond anything that is measured",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(10**12 + 1, "mm")},
            "1000000000001",
            "implausible",
            "implausible: far beyond anything that is measured",
        ),
        (
            "neck_circumference_mm",
            {"valueQuantity": quantity(10**12, "mm")},
            "1000000000000 mm",
            "implausible",
            f"implausible; accepted: {GIRTH}",
        ),
        (
            "glasgow_coma_score",
            {"valueQuantity": quantity(7, "%")},
            "7 %",
            "unit",
            "wrong unit %; accepted: points, a bare number, total",
        ),
        ("glasgow_coma_score", {"valueQuantity": {"value": 7, "unit": "mm"}}, "7 mm", "unit", f"{GUESSED}{COMA}"),
        # T: a tube, so no answer can be heard; a part that cannot be tested makes no total (the Glasgow Structured Approach).
        ("glasgow_coma_score", {"valueString": "8T"}, "8T", "code", f"valueString is not a quantity; accepted: {COMA}"),
        (
            "glasgow_coma_score",
            {"valueString": "E1VTM4"},
            "E1VTM4",
            "code",
            f"valueString is not a quantity; accepted: {COMA}",
        ),
        (
            "glasgow_coma_score",
            {"valueString": "8.5"},
            "8.5",
            "code",
            f"valueString is not a quantity; accepted: {COMA}",
        ),
        ("glasgow_coma_score", {"valueString": "-8"}, "-8", "code", f"valueString is not a quantity; accepted: {COMA}"),
        (
            "glasgow_coma_score",
            {"valueString": "8 9"},
            "8 9",
            "code",
            f"valueString is not a quantity; accepted: {COMA}",
        ),
        (
            "glasgow_coma_score",
            {"valueString": "800"},
            "800",
            "code",
            f"valueString is not a quantity; accepted: {COMA}",
        ),
        ("glasgow_coma_score", {"valueString": "16"}, "16", "implausible", f"implausible; accepted: {COMA}"),
        # What is measured, or counted in a unit of its own, has a unit to guess.
        (
            "neck_circumference_mm",
            {"valueString": "400"},
            "400",
            "code",
            f"valueString is not a quantity; accepted: {GIRTH}",
        ),
        ("neck_height_fingers", {"valueQuantity": {"value": 4}}, "4", "unit", f"no unit; accepted: {FINGERS}"),
        (
            "neck_height_fingers",
            {"valueString": "4"},
            "4",
            "code",
            f"valueString is not a quantity; accepted: {FINGERS}",
        ),
        ("glasgow_coma_score", {"valueInteger": 2}, "2", "implausible", f"implausible; accepted: {COMA}"),
        ("glasgow_coma_score", {"valueDecimal": 7.5}, "7.5", "implausible", f"not a whole number; accepted: {COMA}"),
        ("glasgow_coma_score", {"valueInteger": "7"}, "7", "malformed", "not a number"),
        # Two facts under one code: what fits one of them at least says what is wrong.
        (
            BOTH,
            {"valueQuantity": quantity(3.3, "{finger}")},
            "3.3 fingers",
            "implausible",
            f"not a whole or half number; accepted: {FINGERS}",
        ),
        (BOTH, {"valueQuantity": quantity(900, "mm")}, "900 mm", "implausible", f"implausible; accepted: {MM}"),
        (BOTH, {"valueInteger": 62}, "62", "implausible", f"implausible; accepted: {FINGERS}"),
        (BOTH[::-1], {"valueQuantity": quantity(900, "mm")}, "900 mm", "implausible", f"implausible; accepted: {MM}"),
        (BOTH, {"valueString": "tall"}, "tall", "code", f"valueString is not a quantity; accepted: {MM}"),
        (BOTH[::-1], {"valueString": "tall"}, "tall", "code", f"valueString is not a quantity; accepted: {FINGERS}"),
        (
            ("neck_swelling", "bed_rest"),
            {"valueBoolean": True},
            "true",
            "code",
            "the codes name several facts: bed_rest, neck_swelling",
        ),
    ],
)
def test_a_value_that_cannot_be_used_says_why(
    facts: str | tuple[str, ...], holder: Resource, written: str, kind: Any, reason: str
) -> None:
    with pytest.raises(RefusedValue) as refused:
        stated(facts, holder)
    limit = reason == "only a limit is recorded, not a value"
    assert (refused.value.written, refused.value.why) == (written, RejectionReason(kind, reason, unsettled=limit))
    assert str(refused.value) == reason


@pytest.mark.parametrize(
    ("holder", "expected"),
    [
        ({"valueQuantity": quantity(62, "mm")}, Value("neck_height_mm", 62.0, "62 mm")),
        ({"valueQuantity": quantity(3, "{finger}")}, Value("neck_height_fingers", 3.0, "3 fingers")),
        ({"valueInteger": 3}, Value("neck_height_fingers", 3.0, "3")),
    ],
)
def test_of_two_facts_under_one_code_the_unit_says_which(holder: Resource, expected: Value) -> None:
    assert stated(BOTH, holder) == stated(BOTH[::-1], holder) == expected


@pytest.mark.parametrize(
    ("fact", "meant", "holder", "expected"),
    [
        ("ct_neck", "positive", {"valueBoolean": True}, "positive"),
        ("bed_rest", False, {"valueBoolean": True}, False),
        ("bed_rest", False, {"valueBoolean": False}, True),
        ("bed_rest", True, {"valueString": "no"}, False),
    ],
)
def test_a_code_with_a_value_of_its_own_is_affirmed_or_denied(
    fact: str, meant: Any, holder: Resource, expected: Any
) -> None:
    assert stated(fact, holder, value=meant) == Value(fact, expected, next(iter(map(str, holder.values()))).lower())


def test_that_it_is_not_one_of_several_answers_says_not_which_it_is() -> None:
    with pytest.raises(RefusedValue) as refused:
        stated("ct_neck", {"valueBoolean": False}, value="positive")
    reason = RejectionReason("code", "says only that CT of the neck is not positive")
    assert (refused.value.written, refused.value.why, refused.value.fits) == ("false", reason, True)


@pytest.mark.parametrize(("holder", "fits"), [({"valueInteger": 2}, True), ({"valueString": "x"}, False)])
def test_a_refusal_says_whether_the_kind_fitted(holder: Resource, fits: bool) -> None:
    with pytest.raises(RefusedValue) as refused:
        stated("glasgow_coma_score", holder)
    assert refused.value.fits is fits


def test_what_fits_another_fact_at_least_is_told_first() -> None:
    """A coded answer that is denied fits; a number that has no unit does not."""
    meanings = (Meaning("neck_circumference_mm"), Meaning("ct_neck", "positive"))
    with pytest.raises(RefusedValue) as refused:
        stated_value({"valueBoolean": False}, meanings, code_map())
    assert refused.value.why.text == "says only that CT of the neck is not positive"


@pytest.mark.parametrize(
    ("meanings", "expected"),
    [
        ((Meaning("bed_rest"),), [Value("bed_rest", True, "M62")]),
        ((Meaning("bed_rest", False),), [Value("bed_rest", False, "M62")]),
        ((Meaning("ct_neck", "positive"),), [Value("ct_neck", "positive", "M62")]),
        ((Meaning("ct_neck"),), []),
        (
            (Meaning("weight_kg"), Meaning("bed_rest"), Meaning("fall_height_m", 0)),
            [Value("bed_rest", True, "M62"), Value("fall_height_m", 0, "M62")],
        ),
        ((), []),
    ],
)
def test_what_a_code_says_by_being_there(meanings: tuple[Meaning, ...], expected: list[Value]) -> None:
    assert implied_values(meanings, code_map(), "M62") == expected


@pytest.mark.parametrize(
    ("written", "unit"),
    [
        ({"system": UCUM, "code": "cm"}, "cm"),
        ({"system": UCUM, "code": "cm", "unit": "zoll"}, "cm"),
        ({"system": "http://x.example", "code": "cm", "unit": "zoll"}, "[in_i]"),
        ({"code": "cm", "unit": "zoll"}, "[in_i]"),
        ({"system": UCUM, "unit": "zoll"}, "[in_i]"),
        ({"code": "cm"}, None),
        ({"unit": "cm"}, None),
        ({"system": UCUM, "code": 7}, None),
        ({"system": UCUM}, None),
        ({}, None),
    ],
)
def test_the_unit_is_a_ucum_code_or_a_word_of_the_site(written: Resource, unit: str | None) -> None:
    by = replace(code_map(), units={"zoll": "[in_i]"})
    assert unit_of_quantity(written, by) == unit
    if unit is not None:
        found = stated("neck_circumference_mm", {"valueQuantity": {"value": 20, **written}}, by)
        assert found.value == {"cm": 200.0, "[in_i]": 508.0}[unit]


def test_the_units_of_what_only_counts() -> None:
    """A fact without a unit counts in the unit 1 of UCUM; an annotation is that, under whatever name the map lists."""
    facts = ruleset().vocabulary
    no_unit = FactDefinition(name="steps", type="integer", label="steps", meaning="", code="steps")
    assert units_of_counts(no_unit, code_map()) == ("1",)
    assert units_of_counts(facts["glasgow_coma_score"], code_map()) == ("{score}", "1", "{points}", "{total}")
    assert units_of_counts(facts["glasgow_coma_score"], replace(code_map(), counted={})) == ("{score}",)
    assert units_of_counts(facts["neck_height_mm"], code_map()) == ()
    by = replace(code_map(), vocabulary={"steps": no_unit})  # type: ignore[arg-type]
    assert stated("steps", {"valueQuantity": quantity(7, "1")}, by) == Value("steps", 7, "7 1")
    assert stated("steps", {"valueInteger": 7}, by) == Value("steps", 7, "7")
    with pytest.raises(RefusedValue, match=r"^wrong unit mm; accepted: a bare number$"):
        stated("steps", {"valueQuantity": quantity(7, "mm")}, by)
