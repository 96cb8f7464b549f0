"""What may and must fire, whatever is learned; by a small ruleset, of which every part can be seen at a glance."""

from __future__ import annotations

import pytest

from rules.evaluation.information_gain import Sizer
from rules.evaluation.interpreter import fire
from rules.evaluation.outlook import Possibilities, conjuncts
from rules.model.conditions import AllOf, AnyOf, Known
from tests.rules.small import FRAME, small_ruleset

RULESET = Sizer(small_ruleset()).ruleset
EVERY = {*RULESET.rules}
ASSUMED = {"small.band"}


@pytest.mark.parametrize(
    ("facts", "must", "never", "closed"),
    [
        ({}, {"small.band"}, set(), set()),
        (
            {"height_mm": 61.0, "danger": False},
            {"small.a", "small.b", "small.band"},
            {"small.danger"},
            {"height_mm", "danger"},
        ),
        ({"danger": True}, {"small.band", "small.danger"}, set(), {"danger"}),
        # What follows of what is recorded follows for certain, and what it concludes is no longer open.
        (
            {"fingers": 2.0, "form": "broad", "weight_kg": 80.0, "length_cm": 200.0, "index": 20.0},
            {"small.band", "small.low", "small.low_a", "small.index", "small.girth_unknown"},
            {"small.low_b", "small.small", "small.girth_small", "small.heavy"},
            {"fingers", "form", "weight_kg", "length_cm", "index", "low_mm", "small"},
        ),
        ({"index": 50.0}, {"small.band", "small.heavy"}, set(), {"index"}),
        # What an observer may give beside what rules conclude stays open: a recorded value stands above.
        (
            {"weight_kg": 200.0, "length_cm": 200.0},
            {"small.band", "small.index"},
            set(),
            {"weight_kg", "length_cm"},
        ),
    ],
)
def test_what_must_and_what_may_fire(facts, must, never, closed):
    outlook = Possibilities(RULESET).outlook(facts, fire(RULESET, facts))
    assert outlook.must == must
    assert outlook.may == EVERY - never
    assert outlook.undecided == EVERY - never - must
    assert outlook.open_facts == set(RULESET.vocabulary) - closed


def test_a_rule_that_fires_whatever_is_learned_may_yet_conclude_something_else():
    """Its arithmetic waits for fingers; what it works out is open until they are recorded."""
    adding = """
    - {id: small.worked, title: t, when: always, because: b, sources: [s],
       then: {conclude: {low_mm: fingers * finger_mm}}}
    """
    ruleset = Sizer(small_ruleset(without=("small.low",), adding=adding)).ruleset
    for facts, is_open in (({}, True), ({"fingers": 2.0}, False)):
        outlook = Possibilities(ruleset).outlook(facts, fire(ruleset, facts))
        assert "small.worked" in outlook.must
        assert ("low_mm" in outlook.open_facts) is is_open


DOUBTS = """
- {id: small.doubt, title: t, when: {fact: score, at_most: 9}, because: b, sources: [s], then: {conclude: {asleep: true}}}
- {id: small.held, title: t, when: {fact: asleep, is: true}, because: b, sources: [s],
   then: {hold: {kind: do_not_size, text: asleep}}}
"""


def test_a_doubt_is_open_only_once_rules_raise_it():
    frame = FRAME.replace("asleep: {type: boolean,", "asleep: {type: boolean, given: either, foreseen: false,")
    ruleset = Sizer(small_ruleset(frame=frame, adding=DOUBTS)).ruleset
    possibilities = Possibilities(ruleset)
    for facts, is_open, held in (({}, False, False), ({"score": 12}, False, False), ({"score": 9}, True, True)):
        outlook = possibilities.outlook(facts, fire(ruleset, facts))
        assert ("asleep" in outlook.open_facts) is is_open
        assert ("small.held" in outlook.may) is held
        assert "small.held" not in outlook.must
    settled = {"score": 9, "asleep": True}
    outlook = possibilities.outlook(settled, fire(ruleset, settled))
    assert "small.held" in outlook.must and "asleep" not in outlook.open_facts


TOGETHER = """
- {id: small.one, title: t, when: {fact: asleep, is: true}, because: b, sources: [s],
   then: {size: {axis: girth, value: G, basis: observed}}}
- {id: small.both, title: t, when: {all: [{fact: asleep, is: true}, {fact: score, at_most: 9}]}, because: b, sources: [s],
   then: {size: {axis: girth, value: H, basis: observed}}}
- {id: small.other, title: t, when: {fact: form, is: broad}, because: b, sources: [s],
   then: {size: {axis: girth, value: H, basis: observed}}}
"""


@pytest.mark.parametrize(
    ("facts", "one", "other", "expected"),
    [
        ({}, "small.one", "small.both", True),
        ({}, "small.both", "small.one", False),
        ({"score": 9}, "small.both", "small.one", True),
        ({"score": 10}, "small.both", "small.one", False),
        ({}, "small.one", "small.other", False),
        ({"asleep": True}, "small.one", "small.other", True),
        ({}, "small.band", "small.other", True),
    ],
)
def test_a_rule_accompanies_another_where_it_asks_for_nothing_more_that_is_not_certain(facts, one, other, expected):
    ruleset = small_ruleset(adding=TOGETHER)
    possibilities = Possibilities(ruleset)
    firing = fire(ruleset, facts)
    outlook = possibilities.outlook(facts, firing)
    for _ in range(2):
        assert possibilities.accompanies(one, other, firing, outlook) is expected


def test_the_parts_of_a_condition_are_those_of_its_outermost_and():
    known = Known("a"), Known("b")
    assert conjuncts(AllOf(known)) == known
    assert conjuncts(AnyOf(known)) == (AnyOf(known),)
    assert conjuncts(known[0]) == (known[0],)
