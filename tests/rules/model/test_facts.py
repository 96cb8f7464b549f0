"""What the vocabulary takes, and what it says of the rest."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from rules.errors import FactError
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset


def refusal(ruleset: Ruleset, **facts: object) -> FactError:
    with pytest.raises(FactError) as caught:
        ruleset.vocabulary.check(facts)
    return caught.value


def test_good_values_pass_and_none_means_unknown(ruleset):
    given = {"age_years": 40, "habitus": "average", "bed_rest": False, "neck_height_mm": 61.5, "sedated": None}
    assert ruleset.vocabulary.check(given) == {key: value for key, value in given.items() if value is not None}


@pytest.mark.parametrize(
    ("fact", "value", "reason"),
    [
        ("neck_circumference_mm", 5, "implausible"),
        ("neck_circumference_mm", 1001, "implausible"),
        ("neck_circumference_mm", "400", "not a number"),
        ("neck_circumference_mm", True, "not a number"),
        ("neck_circumference_mm", math.nan, "not a finite number"),
        ("neck_circumference_mm", math.inf, "not a finite number"),
        ("glasgow_coma_score", 14.5, "not a whole number"),
        ("glasgow_coma_score", 2, "implausible"),
        ("neck_height_fingers", 3.3, "not a whole or half number"),
        ("neck_height_fingers", math.nextafter(3.5, 4), "not a whole or half number"),
        ("neck_height_fingers", 10.3, "not a whole or half number"),
        ("bed_rest", 1, "not a yes/no value"),
        ("bed_rest", "yes", "not a yes/no value"),
        ("habitus", "swan", "not one of the accepted codes"),
        ("habitus", ["average"], "not one of the accepted codes"),
        ("minor", False, "worked out by rules"),
        ("neck_form", "average", "record chin_to_shoulder_look and habitus instead"),
    ],
)
def test_a_bad_value_is_refused_with_fact_value_reason_and_what_is_accepted(ruleset, fact, value, reason):
    (problem,) = refusal(ruleset, **{fact: value}).problems
    assert problem.fact == fact
    assert problem.value is value
    assert reason in problem.message
    assert problem.accepted


def test_a_misspelt_name_is_refused_with_the_closest_one(ruleset):
    (problem,) = refusal(ruleset, neck_circumferance_mm=400).problems
    assert "neck_circumference_mm" in problem.message


def test_every_bad_fact_is_named_at_once(ruleset):
    assert {p.fact for p in refusal(ruleset, age_years=-1, bed_rest="no", sex="female").problems} == {
        "age_years",
        "bed_rest",
    }


def test_the_accepted_range_is_spelled_out_with_its_unit(ruleset):
    (problem,) = refusal(ruleset, neck_circumference_mm=5).problems
    assert problem.accepted == "a number from 100 to 1000 mm"


@pytest.mark.parametrize("halves", range(1, 21))
def test_fingers_are_counted_whole_or_half(ruleset, halves):
    assert ruleset.vocabulary.check({"neck_height_fingers": halves / 2}) == {"neck_height_fingers": halves / 2}


def test_what_is_counted_in_halves_says_so(ruleset):
    (problem,) = refusal(ruleset, neck_height_fingers=3.3).problems
    assert problem.accepted == "a whole or half number from 0.5 to 10 fingers"


@pytest.mark.parametrize("edge", [100, 1000])
def test_both_ends_of_the_plausible_range_are_accepted(ruleset, edge):
    assert ruleset.vocabulary.check({"neck_circumference_mm": edge})


def test_only_a_yes_or_no_unsettles_a_size() -> None:
    with pytest.raises(ValidationError, match="unsettles: weight_kg is no yes or no"):
        FactDefinition(
            name="weight_kg", type="number", label="weight", meaning="Weight.", code="weight", unit="kg", unsettles=True
        )
