"""What fires and what is concluded, rule by rule: recorded before concluded, the highest priority, the first of equals."""

from __future__ import annotations

import pytest

from rules.evaluation.interpreter import ImplausibleConclusion, Plain, conclusion_value, fire, fire_with
from rules.model.ruleset import Ruleset
from tests.rules.small import FRAME, small_ruleset

CODED = FRAME.replace(
    "\nparameters:",
    """
  grade: {type: code, values: [low, middle, high], given: either, label: grade, meaning: grade, code: grade}
parameters:""",
    1,
)
GRADING = """
- {id: small.least, title: t, when: {fact: score, at_least: 6}, because: b, sources: [s], then: {conclude: {grade: low}}}
- {id: small.middle, title: t, priority: 2, when: {fact: score, at_least: 10}, because: b, sources: [s],
   then: {conclude: {grade: middle}}}
- {id: small.high, title: t, priority: 2, when: {fact: score, at_least: 15}, because: b, sources: [s],
   then: {conclude: {grade: high}}}
- {id: small.told, title: t, when: {fact: grade, is: middle}, because: b, sources: [s],
   then: {caution: {severity: info, text: told}}}
"""
RULESET = small_ruleset(frame=CODED, adding=GRADING)


@pytest.mark.parametrize(
    ("facts", "grade", "by"),
    [
        ({}, None, None),
        ({"score": 9}, "low", "small.least"),
        ({"score": 10}, "middle", "small.middle"),
        # Of one priority the rule that stands first.
        ({"score": 15}, "middle", "small.middle"),
        ({"score": 15, "grade": "high"}, "high", None),
    ],
)
def test_of_several_conclusions_the_strongest_counts_and_a_recorded_value_before_all(facts, grade, by):
    firing = fire(RULESET, facts)
    assert firing.facts == {**facts, **({} if grade is None else {"grade": grade})}
    assert firing.concluded_by == ({} if by is None else {"grade": by})
    fired = {rule.id for rule in firing.fired}
    assert ("small.told" in fired) is (grade == "middle")
    assert firing == Plain(RULESET).fire(facts)


def test_rules_fire_layer_by_layer_in_the_order_of_the_file():
    fired = [rule.id for rule in fire(RULESET, {"score": 15, "weight_kg": 200.0, "length_cm": 200.0}).fired]
    assert fired == [
        "small.index",
        "small.band",
        "small.look",
        "small.least",
        "small.middle",
        "small.high",
        "small.heavy",
        "small.girth_unknown",
        "small.told",
    ]


@pytest.mark.parametrize(
    ("facts", "index", "refused"),
    [
        ({"weight_kg": 80.0, "length_cm": 200.0}, 20.0, ()),
        ({"weight_kg": 80, "length_cm": 200}, 20.0, ()),
        # 400 kg at 1 m would be 400 kg/m2; 120 is the most that is plausible.
        (
            {"weight_kg": 400.0, "length_cm": 100.0},
            None,
            (ImplausibleConclusion("index", 400.0, "small.index", "implausible"),),
        ),
        ({"weight_kg": 400.0, "length_cm": 100.0, "index": 50.0}, 50.0, ()),
        ({"weight_kg": 80.0}, None, ()),
    ],
)
def test_what_is_worked_out_is_plausible_or_listed_as_refused(facts, index, refused):
    firing = fire(RULESET, facts)
    assert firing.facts.get("index") == index
    assert firing.refused == refused
    assert firing.concluded_by == ({"index": "small.index"} if "index" not in facts and index else {})


def test_an_implausible_value_leaves_the_place_to_the_next_rule():
    adding = """
    - {id: small.guess, title: t, priority: -1, when: {known: weight_kg}, because: b, sources: [s],
       then: {conclude: {index: 30}}}
    """
    firing = fire(small_ruleset(adding=adding), {"weight_kg": 400.0, "length_cm": 100.0})
    assert (firing.facts["index"], firing.concluded_by["index"]) == (30, "small.guess")
    assert [one.rule for one in firing.refused] == ["small.index"]


def conclusion(ruleset: Ruleset, rule: str):
    (only,) = ruleset.rules[rule].then.conclusions
    return only


@pytest.mark.parametrize(
    ("rule", "known", "value"),
    [
        ("small.small", {}, True),
        ("small.index", {"weight_kg": 90, "length_cm": 300}, 10.0),
        ("small.index", {"weight_kg": 90, "length_cm": 0}, None),
        ("small.index", {"weight_kg": 90}, None),
        ("small.index", {"weight_kg": "90", "length_cm": 300}, None),
        ("small.index", {"weight_kg": True, "length_cm": 300}, None),
    ],
)
def test_the_value_of_a_conclusion(rule, known, value):
    assert conclusion_value(conclusion(RULESET, rule), known) == value


def test_an_engine_is_asked_layer_by_layer_with_what_is_known_by_then():
    asked = []

    def match(layer, known):
        asked.append((layer, dict(known)))
        return [rule for rule in RULESET.strata[layer] if rule.id == "small.middle"]

    firing = fire_with(RULESET, {"score": 20}, match)
    assert [layer for layer, _ in asked] == list(range(len(RULESET.strata)))
    assert asked[0][1] == {"score": 20}
    assert asked[-1][1] == {"score": 20, "grade": "middle"}
    assert [rule.id for rule in firing.fired] == ["small.middle"]
