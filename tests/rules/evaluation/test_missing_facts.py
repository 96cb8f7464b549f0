"""What is asked for next: the first undecided stage of a condition, and nothing that could not help."""

from __future__ import annotations

import pytest

from rules.evaluation.missing_facts import missing_for
from tests.rules.small import FRAME, small_ruleset

REPORTED = FRAME.replace(
    "\nparameters:",
    """
  grade: {type: code, values: [low, high], given: concluded, reported: true, label: grade, meaning: grade, code: grade}
parameters:""",
    1,
)


def asked(rules: str, facts: dict[str, object]) -> tuple[str, ...]:
    return missing_for(small_ruleset(frame=REPORTED, adding=rules), "grade", facts)


STAGES = """
- {id: small.grade, title: grade, because: b, sources: [s], then: {conclude: {grade: high}},
   when: {all: [{fact: danger, is: true}, {fact: asleep, is: true}, {fact: small, is: true}, {fact: score, at_most: 9}]}}
"""


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        # A run of observable facts is one stage.
        ({}, ("danger", "asleep")),
        ({"danger": True}, ("asleep",)),
        # Then what a rule concludes, as what that rule waits for; what stands behind it comes later.
        ({"danger": True, "asleep": True}, ("form",)),
        ({"danger": True, "asleep": True, "small": True}, ("score",)),
        # A rule that cannot fire any more asks for nothing.
        ({"danger": False}, ()),
        ({"danger": True, "asleep": True, "small": True, "score": 20}, ()),
    ],
)
def test_only_the_first_undecided_stage_is_asked_for(facts: dict[str, object], expected: tuple[str, ...]) -> None:
    assert asked(STAGES, facts) == expected


def test_a_stage_that_rules_conclude_stands_alone_also_where_it_is_first() -> None:
    first = STAGES.replace(
        "all: [{fact: danger, is: true}", "all: [{fact: small, is: true}, {fact: danger, is: true}"
    ).replace("{fact: asleep, is: true}, {fact: small, is: true}", "{fact: asleep, is: true}")
    assert asked(first, {}) == ("form",)
    assert asked(first, {"small": True}) == ("score", "danger", "asleep")


def test_any_of_several_asks_for_all_of_them() -> None:
    either = """
    - {id: small.grade, title: grade, because: b, sources: [s], then: {conclude: {grade: high}},
       when: {any: [{fact: danger, is: true}, {fact: asleep, is: true}]}}
    """
    assert asked(either, {}) == ("danger", "asleep")
    assert asked(either, {"danger": False}) == ("asleep",)


def test_a_fact_that_can_be_observed_or_worked_out_is_asked_for_itself() -> None:
    index = """
    - {id: small.grade, title: grade, because: b, sources: [s], then: {conclude: {grade: high}},
       when: {fact: index, at_least: 30}}
    """
    assert asked(index, {}) == ("index",)


def test_a_rule_that_does_not_ask_asks_for_nothing() -> None:
    assert asked(STAGES.replace("{id: small.grade,", "{id: small.grade, asks: false,"), {}) == ()


LATER = """
- {id: small.grade_later, title: grade, because: b, sources: [s], then: {conclude: {grade: low}},
   when: {fact: score, at_least: 20}}
"""


@pytest.mark.parametrize("first", [STAGES.replace("{id: small.grade,", "{id: small.grade, asks: false,"), STAGES])
def test_a_rule_that_cannot_help_does_not_end_the_search(first: str) -> None:
    assert asked(first + LATER, {"danger": False}) == ("score",)


def test_what_a_rule_that_fires_needs_for_its_arithmetic_is_asked_for() -> None:
    load = REPORTED.replace(
        "  grade: {",
        "  load: {type: number, unit: kg, given: concluded, label: load, meaning: load, code: load}\n  grade: {",
    )
    rule = """
    - {id: small.load, title: load, because: b, sources: [s], then: {conclude: {load: weight_kg * 2}},
       when: {any: [{fact: danger, is: true}, {fact: asleep, is: true}]}}
    """
    ruleset = small_ruleset(frame=load, adding=rule)
    assert missing_for(ruleset, "load", {"danger": True, "asleep": False}) == ("weight_kg",)


def test_nothing_is_asked_for_where_no_rule_concludes() -> None:
    assert asked("", {}) == ()
