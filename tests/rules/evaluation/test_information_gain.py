"""What could still change the size: never "settled" while an answer could change it, and the useful questions named."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import assume, example, given, settings

from rules.evaluation.hit_policy import sizing_part
from rules.evaluation.information_gain import Sizer, representatives
from rules.evaluation.interpreter import fire
from rules.loading.loader import load_ruleset
from tests.rules.patients import patients

RULESET = load_ruleset()
SIZER = Sizer(RULESET)
SAFE = {"suspected_distraction_injury": False, "airway_threat": False, "halo_in_place": False}
MEASURED = {
    "age_years": 40,
    "neck_circumference_mm": 380,
    "neck_height_mm": 67,
    "head_position": "neutral",
    "bed_rest": False,
}
UNFORESEEN = RULESET.unforeseen


def asked(facts):
    return {entry.fact: entry for entry in SIZER.prospects(facts).measure_next}


def reckoned_with(facts, learned):
    """What of ``learned`` an outlook reckons with: all but facts that nobody looks for until rules conclude them."""
    before = fire(SIZER.ruleset, facts).facts
    reckoned = {name: value for name, value in learned.items() if name not in UNFORESEEN or name in before}
    after = fire(SIZER.ruleset, {**reckoned, **facts}).facts
    assume(not UNFORESEEN & (after.keys() - before.keys()))
    return reckoned


@settings(max_examples=300)
@given(patients(RULESET), patients(RULESET))
def test_a_settled_axis_keeps_its_value_whatever_is_learned(facts, learned):
    prospects = SIZER.prospects(facts)
    learned = reckoned_with(facts, learned)
    now, then = SIZER.size(facts), SIZER.size({**learned, **facts})
    for axis, settled in prospects.settled_axes.items():
        if settled:
            assert then.axes[axis].candidates[:1] == now.axes[axis].candidates[:1]
    if prospects.settled:
        assert then.outcome == now.outcome


@settings(max_examples=150)
@given(patients(RULESET), patients(RULESET))
def test_learning_more_never_takes_settled_back(facts, learned):
    learned = reckoned_with(facts, learned)
    before, after = SIZER.prospects(facts), SIZER.prospects({**learned, **facts})
    assert after.settled or not before.settled
    assert all(after.settled_axes[axis] for axis, settled in before.settled_axes.items() if settled)


@settings(max_examples=150)
@given(patients(RULESET))
def test_a_decision_is_settled_exactly_where_nothing_is_left_to_ask(facts):
    prospects = SIZER.prospects(facts)
    assert prospects.settled == (not prospects.measure_next)


def test_a_wholly_measured_and_screened_patient_is_settled():
    assert SIZER.prospects({**MEASURED, **SAFE}).settled


def test_a_doubt_that_records_raise_is_asked_about_and_can_be_settled():
    doubtful = {**MEASURED, **SAFE, "apparent_age_group": "child"}
    assert SIZER.size(doubtful).outcome is None
    assert list(asked(doubtful)) == ["identity_doubtful"]
    for answer, sized in ((False, True), (True, False)):
        checked = {**doubtful, "identity_doubtful": answer}
        assert SIZER.prospects(checked).settled
        assert (SIZER.size(checked).outcome is not None) is sized


def test_nobody_is_asked_about_a_doubt_that_nothing_raises():
    assert UNFORESEEN
    assert not UNFORESEEN & asked({}).keys()


def test_what_could_withhold_the_size_is_asked_for_as_such():
    left = asked(MEASURED)
    assert set(SAFE) <= set(left)
    assert all(left[fact].could_withhold for fact in SAFE)


def test_a_measured_circumference_is_not_asked_for_again():
    assert "neck_circumference_mm" not in asked(MEASURED)


def test_a_fact_that_a_measurement_outweighs_is_not_asked_for():
    assert not {"sex", "chin_to_shoulder_look", "habitus", "body_mass_index", "weight_kg"} & set(asked(MEASURED))


@pytest.mark.parametrize("swelling", [{}, {"neck_swelling": True}, {"neck_swelling": False}])
@pytest.mark.parametrize("circumference", [326, 330, 428, 634])
def test_a_measured_neck_between_two_bands_is_settled(circumference, swelling):
    """Both bands stay candidates; sex, build and weight cannot change which is tried first, so nobody is asked for them."""
    prospects = SIZER.prospects({**MEASURED, **SAFE, **swelling, "neck_circumference_mm": circumference})
    assert prospects.settled
    assert prospects.measure_next == ()


def test_the_most_telling_question_comes_first():
    entries = SIZER.prospects({"age_years": 40, "sex": "female"}).measure_next
    assert {entry.fact for entry in entries[:2]} == {"neck_height_mm", "neck_circumference_mm"}
    assert [entry.information for entry in entries] == sorted((entry.information for entry in entries), reverse=True)


def test_facts_that_only_count_together_are_asked_for_together():
    entry = asked({"age_years": 40, "sex": "female"})["height_cm"]
    assert entry.with_facts == ("weight_kg",)


def test_each_fact_that_can_be_asked_for_has_a_sentence_for_the_bedside():
    """The meaning of a fact says what it is; what to do to learn it is another sentence."""
    part = sizing_part(RULESET)
    asked_for = [
        fact for fact in RULESET.vocabulary.values() if fact.name in part.facts_read and fact.given != "concluded"
    ]
    assert len(asked_for) > 15
    assert [fact.name for fact in asked_for if not fact.ask] == []


def test_what_is_asked_for_together_is_named_in_words():
    entry = asked({"age_years": 40, "sex": "female"})["height_cm"]
    assert entry.with_labels == ("body weight",)


def test_representative_answers_reach_both_sides_of_each_threshold():
    fact = RULESET.vocabulary["neck_circumference_mm"]
    values = representatives(fact, {330.0, 635.0}, 5)
    assert {100, 330, 635, 1000} <= set(values)
    assert any(100 < value < 330 for value in values)
    assert any(330 < value < 635 for value in values)


@settings(max_examples=15)
@given(patients(RULESET))
@example({"weight_kg": 119.999})  # With the sex a wider girth is offered first.
def test_an_answer_tried_is_the_answer_decided(facts):
    """What is worked out again for an answer alone is what all sizing rules say of the patient with that answer.

    An answer that contradicts what is recorded raises a doubt, which nobody foresees: it is tried as if it raised none.
    """
    firing, tried = fire(SIZER.ruleset, facts), 0
    unknown = [name for name, fact in RULESET.vocabulary.items() if fact.open and name not in facts]
    read = [name for name in unknown if name in SIZER.ruleset.facts_read]
    for group in [(name,) for name in read] + [(one, other) for one, other in pairwise(read)][:5]:
        answers = SIZER._answers(group)[:12]
        found = list(SIZER._changes.pictures(facts, firing, group, answers))
        assert len(found) == len(answers)
        for answer, picture in zip(answers, found, strict=True):
            learned = {**facts, **answer}
            if not UNFORESEEN & (fire(SIZER.ruleset, learned).facts.keys() - firing.facts.keys()):
                assert picture == SIZER.size(learned).picture, answer
                tried += 1
    assert tried or not read
