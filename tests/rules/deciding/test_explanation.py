"""Why a rule fired or not, down to the observation, and the smallest change that alters the size."""

import pytest

from rules.deciding.explanation import Explainer
from rules.errors import FactError
from rules.model.facts import RecordedFact
from tests.rules.small import small_ruleset

RULESET = small_ruleset()


def test_a_rule_that_fired_rests_on_its_observation():
    fact = RecordedFact(name="height_mm", value=50.0, reference="Observation/7", original="5 cm")
    why = Explainer(RULESET, [fact]).why("small.a")
    assert why.fires and why.in_the_way == ()
    assert why.reason.truth is True
    assert why.reason.observation.record == fact
    assert why.reason.observation.value == 50.0


def test_a_fact_that_rules_worked_out_names_the_rule():
    why = Explainer(RULESET, {"form": "slender"}).why("small.girth_small")
    assert why.fires
    assert why.reason.observation.worked_out_by == "small.small"


@pytest.mark.parametrize(
    ("facts", "rule", "expected"),
    [
        ({"height_mm": 80.0}, "small.a", ("height_mm < 63 (edge_mm + margin_mm): it is 80",)),
        ({}, "small.a", ("height_mm < 63 (edge_mm + margin_mm): it is unknown",)),
        ({"weight_kg": 80.0}, "small.index", ("length_cm is known: it is unknown",)),
        ({"form": "slender"}, "small.girth_unknown", ("small is unknown: it is true",)),
        ({"danger": False}, "small.danger", ("danger is true: it is false",)),
    ],
)
def test_why_not(facts, rule, expected):
    why = Explainer(RULESET, facts).why(rule)
    assert not why.fires
    assert why.in_the_way == expected


def test_the_nearest_change_comes_first_and_is_real():
    explainer = Explainer(RULESET, {"height_mm": 70.0, "girth_mm": 390.0, "danger": False})
    changes = explainer.nearest()
    assert [(change.fact, change.to, change.outcome) for change in changes] == [
        ("girth_mm", 400.0, "B H"),
        ("height_mm", 62.9, "A G"),
        ("danger", True, "no size"),
    ]
    assert [round(change.distance, 4) for change in changes] == [0.0125, 0.0364, 1.0]
    for change in changes:
        assert explainer.outcome({**explainer.facts, change.fact: change.to}) == change.outcome != explainer.outcome()


@pytest.mark.parametrize(("height", "nearest", "outcome"), [(105.0, 99.9, "A G"), (135.0, 140.1, "C G")])
def test_of_two_borders_the_nearer_counts(height, nearest, outcome):
    ruleset = small_ruleset(
        without=("small.a", "small.b"),
        adding="""
        - {id: small.x, title: x, when: {fact: height_mm, below: 100}, because: b, sources: [s],
           then: {size: {axis: band, value: A, basis: measured}}}
        - {id: small.y, title: y, when: {all: [{fact: height_mm, at_least: 100}, {fact: height_mm, at_most: 140}]},
           because: b, sources: [s], then: {size: {axis: band, value: B, basis: measured}}}
        - {id: small.z, title: z, when: {fact: height_mm, above: 140}, because: b, sources: [s],
           then: {size: {axis: band, value: C, basis: measured}}}
        """,
    )
    (change,) = [
        c for c in Explainer(ruleset, {"height_mm": height, "girth_mm": 100.0}).nearest() if c.fact == "height_mm"
    ]
    assert (round(change.to, 1), change.outcome) == (nearest, outcome)


def test_a_border_that_rules_compute_is_found_by_narrowing_down():
    """Index 40 at 2 m is 160 kg, index 120 (the most that is plausible) would be 480 kg: there is one border only."""
    explainer = Explainer(RULESET, {"weight_kg": 80.0, "length_cm": 200.0})
    spans = explainer.along("weight_kg")
    assert [(span.low, span.high, span.outcome) for span in spans] == [(1.0, 159.9, "B H"), (160.0, 400.0, "A H")]


def test_a_whole_number_stays_whole():
    ruleset = small_ruleset(
        adding="""
        - {id: small.x, title: x, priority: 9, when: {fact: score, at_most: 12}, because: b, sources: [s],
           then: {size: {axis: girth, value: G, basis: assumed}}}
        """
    )
    (change,) = Explainer(ruleset, {"score": 15}).nearest()
    assert (change.to, type(change.to), change.outcome) == (12, int, "B G")


def test_unusable_facts_are_refused():
    with pytest.raises(FactError, match="height_mm = 5000"):
        Explainer(RULESET, {"height_mm": 5000})
