"""The hit policy of the size class, and the shipped sizing rules on each axis."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.evaluation.hit_policy import candidates, choose, size_class
from rules.evaluation.interpreter import fire
from tests.rules.patients import patients
from tests.shipped_content import RULESET


def sized(**facts):
    return choose(RULESET, fire(RULESET, facts).fired)


def axis(name, **facts):
    choice = sized(**facts).axes[name]
    return choice.candidates, choice.basis


ADULT = {"age_years": 40}


def test_a_measurement_stands_above_an_estimate_and_an_estimate_above_a_stand_in():
    assert axis("height_band", **ADULT) == (("H2", "H3"), "assumed")
    assert axis("height_band", **ADULT, chin_to_shoulder_look="long") == (("H4", "H5"), "observed")
    assert axis("height_band", **ADULT, chin_to_shoulder_look="long", neck_height_fingers=2)[0] == ("H1", "H2")
    assert axis("height_band", **ADULT, chin_to_shoulder_look="long", neck_height_fingers=2, neck_height_mm=67) == (
        ("H3",),
        "measured",
    )


def test_of_two_stand_ins_the_weightier_wins():
    assert axis("height_band", **ADULT, chin_to_shoulder_look="long", head_position="fixed_flexion")[0] == ("H1", "H2")


@settings(max_examples=300)
@given(patients(RULESET), st.sampled_from([{}, {"sex": "female"}, {"sex": "male"}]), st.integers(130, 210))
def test_sex_and_stature_decide_nothing_about_the_height(facts, sex, stature):
    # Survey of 2012 (ansur-2012): a proxy of neck height correlates with stature by .15 to .19 only.
    without = {name: value for name, value in facts.items() if name not in ("sex", "height_cm")}
    assert axis("height_band", **without) == axis("height_band", **without, **sex, height_cm=stature)


@pytest.mark.parametrize(
    ("height", "expected"),
    [
        (41.9, ("H1",)),
        (42, ("H1", "H2")),
        (47.9, ("H1", "H2")),
        (48, ("H2",)),
        (61, ("H2", "H3")),
        (90, ("H4", "H5")),
        (93, ("H5",)),
    ],
)
def test_near_a_height_edge_both_bands_are_candidates_smaller_first(height, expected):
    assert axis("height_band", **ADULT, neck_height_mm=height) == (expected, "measured")


@pytest.mark.parametrize(
    ("girth", "expected"),
    [(321, ("G1",)), (330, ("G1", "G2")), (338, ("G2",)), (634, ("G3", "G4")), (635, ("G4",)), (700, ("G4",))],
)
def test_girth_edges_and_no_narrower_size_from_635_on(girth, expected):
    # Common practice, no source: 635 mm (25 in) or more needs the widest class.
    assert axis("girth_band", **ADULT, neck_circumference_mm=girth) == (expected, "measured")


@pytest.mark.parametrize(
    ("years", "line"),
    [
        (0, "infant"),
        (0.99, "infant"),
        (1, "toddler"),
        (2.99, "toddler"),
        (3, "young_child"),
        (7, "child"),
        (12, "adolescent"),
        (18, "adult"),
    ],
)
def test_the_line_changes_at_each_age(years, line):
    assert axis("line", age_years=years)[0][0] == line


def test_a_patient_of_unknown_age_is_an_adult_only_under_a_condition():
    sizing = sized(neck_circumference_mm=400, neck_height_mm=70, head_position="neutral", bed_rest=False)
    assert sizing.axes["line"].basis == "assumed"
    (only,) = candidates(RULESET, sizing)
    assert only.size_class.condition == "if adult"
    assert only.size_class.words.startswith("if adult: adult line, ")


@pytest.mark.parametrize("child", [{"height_cm": 139}, {"weight_kg": 34}, {"neck_circumference_mm": 274}])
def test_a_patient_of_unknown_age_who_measures_like_a_child_is_never_an_adult(child):
    """Nobody of the 6,068 adults of the survey was shorter than 140.9 cm, lighter than 35.8 kg or narrower than 275 mm
    (Gordon et al., NATICK/TR-15/007, 2014)."""
    sizing = sized(**{"neck_circumference_mm": 400, "neck_height_mm": 70, **child})
    assert sizing.withheld
    assert sizing.axes["line"].candidates == ()
    assert candidates(RULESET, sizing) == ()


def test_an_apparent_age_group_stands_in_for_the_age_as_an_observation():
    assert axis("line", apparent_age_group="child") == (("child",), "observed")


@pytest.mark.parametrize("fact", ["neck_swelling", "post_operative_dressing"])
def test_swelling_and_dressing_take_the_trust_out_of_the_circumference(fact):
    assert axis("girth_band", **ADULT, neck_circumference_mm=400, **{fact: True}) == (("G2",), "observed")


@pytest.mark.parametrize(
    "fact", [{"head_position": "fixed_other"}, {"suspected_distraction_injury": True}, {"airway_threat": True}]
)
def test_where_a_collar_is_the_wrong_device_no_size_is_given(fact):
    assert sized(**ADULT, **fact).withheld


def test_the_written_class_leaves_the_usual_contour_and_back_out():
    usual = {"line": "adult", "height_band": "H3", "girth_band": "G2", "contour": "neutral", "back": "standard"}
    assert size_class(RULESET, usual).code == "adult H3 G2"
    assert (
        size_class(RULESET, {**usual, "contour": "flexed", "back": "recumbent"}).code == "adult H3 G2 flexed recumbent"
    )


def test_the_words_name_the_millimetres():
    usual = {"line": "adult", "height_band": "H3", "girth_band": "G2", "contour": "neutral", "back": "standard"}
    assert (
        size_class(RULESET, usual).words
        == "adult line, height 60 to under 75 mm, neck circumference 330 to under 430 mm"
    )


def test_candidates_go_from_the_smallest_up_and_say_why():
    sizing = sized(**ADULT, neck_height_mm=61, neck_circumference_mm=331)
    listed = candidates(RULESET, sizing)
    codes = [candidate.size_class.code for candidate in listed]
    assert codes == ["adult H2 G1", "adult H2 G2", "adult H3 G1", "adult H3 G2"]
    assert listed[0].why.startswith("the smallest")
    assert "circumference 1 step up" in listed[1].why


@settings(max_examples=300)
@given(patients(RULESET))
def test_every_patient_gets_one_value_on_each_axis_or_a_reason_for_none(facts):
    sizing = choose(RULESET, fire(RULESET, facts).fired)
    missing = [name for name, choice in sizing.axes.items() if not choice.candidates]
    assert not missing or sizing.holds
    assert all(choice.rules for choice in sizing.axes.values() if choice.candidates)


def test_every_reason_not_to_size_also_stops_measuring_and_fitting():
    withholding = [
        rule for rule in RULESET.rules.values() if any(hold.kind == "do_not_size" for hold in rule.then.holds)
    ]
    assert withholding
    assert [rule.id for rule in withholding if "fitting_withheld" not in rule.writes] == []


@settings(max_examples=300)
@given(patients(RULESET))
def test_nobody_is_asked_to_measure_or_fit_where_a_collar_must_not_be_put_on(facts):
    fired = fire(RULESET, facts).fired
    if any(hold.kind == "do_not_size" for rule in fired for hold in rule.then.holds):
        assert not {call.task for rule in fired for call in rule.then.tasks if not call.joins} & {
            "measure_neck",
            "fit_collar",
        }


# Medians, and what lies three standard deviations from them, of body height in cm and of weight in kg: WHO growth standards
# of 2006 and reference of 2007, boys, from memory and rounded.
GROWTH = {
    2: ((78, 88, 97), (8.6, 12.2, 17)),
    5: ((96, 110, 124), (12, 18.3, 28)),
    8: ((111, 127, 144), (17, 25.4, 42)),
    10: ((119, 138, 157), (20, 31.2, 56)),
}
SAID = {"sizing.doubt.unusual_child", "sizing.doubt.body_against_age"}
"""Rare at this age; or found in nobody of this age."""


def rare(**facts):
    return not SAID.isdisjoint(rule.id for rule in fire(RULESET, facts).fired)


@pytest.mark.parametrize("age", GROWTH)
def test_a_usual_child_is_not_rare_and_one_far_beyond_published_growth_is(age):
    (short, height, tall), (light, weight, heavy) = GROWTH[age]
    assert not rare(age_years=age, height_cm=height, weight_kg=weight)
    assert rare(age_years=age, height_cm=short * 0.95)
    assert rare(age_years=age, height_cm=tall * 1.06)
    assert rare(age_years=age, weight_kg=light * 0.85)
    assert rare(age_years=age, weight_kg=heavy * 1.2)
    assert rare(age_years=age, weight_kg=weight / 0.45359237)
