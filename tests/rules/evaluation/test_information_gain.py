"""What could still change the size: never "settled" while an answer could change it, and the useful questions named."""

from __future__ import annotations

from itertools import pairwise
from math import log2

import pytest
from hypothesis import assume, example, given, settings

from rules.evaluation.hit_policy import sizing_part
from rules.evaluation.information_gain import Sizer, cuts, representatives
from rules.evaluation.interpreter import fire
from rules.model.decision import MeasureNext
from tests.rules.patients import patients
from tests.rules.small import small_ruleset
from tests.rules.small_deciding import deciding_ruleset
from tests.shipped_content import RULESET

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


# --- what is asked for, exactly, by a small ruleset ------------------------------------------------------------------

SMALL = small_ruleset()


def bits(*counts):
    """The entropy (Shannon 1948) of answers that lead to so many different sizes, to three digits."""
    total = sum(counts)
    return round(sum(count / total * log2(total / count) for count in counts), 3)


DANGER = ("danger", (), (), True, bits(1, 1))
HEIGHT = ("height_mm", (), ("band",), False, bits(4, 3))
"""Tried at 5, 31, 57, 60, and at 63, 131.5 and 200 mm: below 63 the lower band is offered first."""
GIRTH = ("girth_mm", (), ("girth",), False, bits(2, 3))
INDEX = ("index", (), ("band",), False, bits(2, 3))
FINGERS = ("fingers", (), ("band",), False, bits(3, 6))
"""Nine points; 0, 1.25 and 2.5 fingers of 19 mm are below 60 mm."""
FORM = ("form", (), ("girth",), False, bits(1, 2))
WEIGHT = ("weight_kg", ("length_cm",), ("band",), False, bits(7, 18))
"""Of five weights with five lengths seven give an index from 40 to 120."""
LENGTH = ("length_cm", (), ("band",), False, bits(3, 6))


@pytest.mark.parametrize(
    ("facts", "settled", "axes", "asked_for"),
    [
        ({}, False, (False, False), [DANGER, HEIGHT, GIRTH, INDEX, FINGERS, FORM, WEIGHT]),
        ({"danger": False}, False, (False, False), [HEIGHT, GIRTH, INDEX, FINGERS, FORM, WEIGHT]),
        ({"danger": False, "height_mm": 61.0}, False, (True, False), [GIRTH, FORM]),
        # A reason to withhold stands whatever else is learned.
        ({"danger": True}, True, (False, False), []),
        ({"danger": False, "height_mm": 80.0, "girth_mm": 300.0}, True, (True, True), []),
        ({"height_mm": 80.0, "girth_mm": 300.0}, False, (True, True), [DANGER]),
        # One of two numbers that are only computed with is asked for alone once the other is known.
        (
            {"danger": False, "girth_mm": 300.0, "weight_kg": 80.0},
            False,
            (False, True),
            [HEIGHT, INDEX, FINGERS, LENGTH],
        ),
        ({"danger": False, "girth_mm": 300.0, "index": 50.0}, False, (False, True), [HEIGHT, FINGERS]),
        ({"danger": False, "form": "slender", "fingers": 3.0}, False, (False, False), [HEIGHT, GIRTH]),
    ],
)
def test_what_could_change_the_size_comes_by_what_it_tells(facts, settled, axes, asked_for):
    prospects = Sizer(SMALL).prospects(facts)
    assert (prospects.settled, tuple(prospects.settled_axes.values())) == (settled, axes)
    assert [
        (one.fact, one.with_facts, one.axes, one.could_withhold, one.information) for one in prospects.measure_next
    ] == asked_for


def test_a_question_is_written_with_its_label_its_words_and_those_of_what_is_asked_with_it():
    *_, last = Sizer(SMALL).prospects({"danger": False}).measure_next
    assert last == MeasureNext(
        fact="weight_kg",
        label="weight",
        ask="weight",
        with_facts=("length_cm",),
        with_labels=("length",),
        axes=("band",),
        could_withhold=False,
        information=bits(7, 18),
    )
    told = {one.fact: one.ask for one in Sizer(deciding_ruleset()).prospects({}).measure_next}
    assert (told["weight_kg"], told["girth_mm"]) == ("Weigh.", "the girth")


def test_without_ranking_nothing_is_asked_for_and_the_same_is_settled():
    for facts in ({}, {"danger": False, "height_mm": 61.0}, {"danger": True}):
        ranked, quick = Sizer(SMALL).prospects(facts), Sizer(SMALL).prospects(facts, rank=False)
        assert quick.measure_next == ()
        assert (quick.settled, quick.settled_axes) == (ranked.settled, ranked.settled_axes)


def test_what_fired_of_the_whole_ruleset_serves_as_what_fires_of_the_part_that_sizes():
    facts = {"asleep": True, "score": 10, "weight_kg": 80.0}
    assert Sizer(SMALL).prospects(facts, fire(SMALL, facts)) == Sizer(SMALL).prospects(facts)
    assert Sizer(SMALL).prospects(facts, fire(SMALL, facts)).measure_next


def test_what_the_size_only_assumes_is_asked_first():
    """The line is only assumed ("if adult"), so the age goes before what tells as much or more."""
    asked_for = [(one.fact, one.axes, one.information) for one in Sizer(deciding_ruleset()).prospects({}).measure_next]
    assert asked_for[0] == ("age_years", ("line",), bits(2, 3))
    assert asked_for[1:5] == [(name, axes, 1.0) for name, axes in (
        ("threat", ()), ("bleeding", ()), ("swollen", ()), ("lying", ("pose",)))]  # fmt: skip
    young = Sizer(deciding_ruleset()).prospects({"age_years": 5}).measure_next
    assert "age_years" not in [one.fact for one in young]
    assert [one.information for one in young] == sorted((one.information for one in young), reverse=True)


@pytest.mark.parametrize(
    ("facts", "could_withhold"), [({"threat": True}, None), ({"swollen": True}, None), ({"threat": False}, True)]
)
def test_a_reason_that_stands_leaves_nothing_to_ask(facts, could_withhold):
    asked_for = {one.fact: one.could_withhold for one in Sizer(deciding_ruleset()).prospects(facts).measure_next}
    assert asked_for.get("bleeding") == could_withhold


def test_thresholds_are_those_of_numbers_that_rules_compare():
    assert cuts(SMALL) == {
        "height_mm": {57.0, 63.0},
        "girth_mm": {400.0},
        "score": {12.0},
        "low_mm": {60.0},
        "index": {40.0},
        **{name: set() for name in ("form", "danger", "asleep", "small")},
    }
    several = """
    - {id: small.x, title: x, when: {all: [{fact: form, one_of: [slender, broad]}, {fact: score, is: 7}]}, because: b,
       sources: [s], then: {size: {axis: girth, value: G, basis: assumed}}}
    """
    assert cuts(small_ruleset(adding=several))["score"] == {7.0, 12.0}


@pytest.mark.parametrize(
    ("fact", "thresholds", "steps", "values"),
    [
        ("danger", (), 9, (False, True)),
        ("form", (), 9, ("slender", "average", "broad")),
        ("fingers", (), 5, (0.0, 2.5, 5.0, 7.5, 10.0)),
        ("fingers", (), 2, (0.0, 5.0, 10.0)),
        ("fingers", (4.0,), 9, (0.0, 2.0, 4.0, 7.0, 10.0)),
        ("fingers", (4.0, 4.0, 6.0), 9, (0.0, 2.0, 4.0, 5.0, 6.0, 8.0, 10.0)),
        # A threshold beyond what is plausible is none; at the end it is one.
        ("fingers", (-1.0, 11.0), 5, (0.0, 2.5, 5.0, 7.5, 10.0)),
        ("fingers", (0.0, 10.0), 9, (0.0, 5.0, 10.0)),
        ("score", (12.0,), 9, (6.0, 9.0, 12.0, 18.0, 23.0)),
    ],
)
def test_representative_answers_are_the_ends_the_thresholds_and_the_middles(fact, thresholds, steps, values):
    assert representatives(SMALL.vocabulary[fact], thresholds, steps) == values


def test_a_number_without_a_range_is_tried_up_to_a_thousand():
    open_ended = SMALL.vocabulary["fingers"].model_copy(update={"range": None})
    assert representatives(open_ended, (), 5) == (0.0, 250.0, 500.0, 750.0, 1000.0)


OUTDONE = """
- {id: small.one, title: t, when: {fact: asleep, is: true}, because: b, sources: [s],
   then: {size: {axis: girth, value: G, basis: observed}}}
- {id: small.both, title: t, when: {all: [{fact: asleep, is: true}, {fact: score, at_most: 9}]}, because: b, sources: [s],
   then: {size: {axis: girth, value: H, basis: observed}}}
"""


@pytest.mark.parametrize(
    ("facts", "settled"),
    [
        # H may be offered, but only where G is as well, which as the smaller goes first.
        ({"form": "slender", "girth_mm": 300.0}, True),
        ({"form": "slender"}, False),
        ({"form": "slender", "asleep": False}, False),
        ({"girth_mm": 500.0}, True),
    ],
)
def test_an_axis_is_settled_where_nothing_can_come_before_its_first_value(facts, settled):
    assert Sizer(small_ruleset(adding=OUTDONE)).prospects(facts).settled_axes["girth"] is settled


def test_what_is_offered_only_beside_the_first_value_does_not_open_the_axis():
    without = ("small.g", "small.h", "small.girth_unknown")
    ruleset = small_ruleset(without=without, adding=OUTDONE)
    assert Sizer(ruleset).prospects({"form": "slender"}).settled_axes["girth"] is True
    alone = OUTDONE.replace("{all: [{fact: asleep, is: true}, {fact: score, at_most: 9}]}", "{fact: score, at_most: 9}")
    assert (
        Sizer(small_ruleset(without=without, adding=alone)).prospects({"form": "slender"}).settled_axes["girth"]
        is False
    )


def test_where_no_answer_alone_changes_the_size_all_that_it_hangs_on_is_asked_for():
    """Two facts that count only together, and that nothing computes with."""
    others = ("a", "b", "low_a", "low_b", "heavy", "g", "h", "girth_small", "danger")
    together = """
    - {id: small.both, title: t, when: {all: [{fact: asleep, is: true}, {fact: score, at_most: 9}]}, because: b, sources: [s],
       then: {size: {axis: girth, value: G, basis: measured}}}
    """
    ruleset = small_ruleset(without=tuple(f"small.{name}" for name in others), adding=together)
    prospects = Sizer(ruleset).prospects({"small": False})
    assert [one.fact for one in prospects.measure_next] == ["score", "asleep"]
    alike = {"with_facts": (), "with_labels": (), "axes": (), "could_withhold": False, "information": 0.0}
    assert prospects.measure_next[0] == MeasureNext(fact="score", label="score", ask="score", **alike)
    (alone,) = Sizer(ruleset).prospects({"asleep": True, "small": False}).measure_next
    assert (alone.fact, alone.axes, alone.could_withhold) == ("score", ("girth",), False)
