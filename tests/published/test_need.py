"""The published rules about need, item by item, against what was published.

Five-criterion rule (NEXUS): Hoffman et al., N Engl J Med 2000;343:94-99. Canadian rule: Stiell et al., JAMA
2001;286:1841-1848. Spinal motion restriction: joint position statement, Prehosp Emerg Care 2018;22:659-661.
Paediatric rule: Leonard et al.,
Lancet Child Adolesc Health 2024;8:482-490, read in secondary pages (Emerg Med J 2024;41:567), not in full text.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import product

import pytest

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET, Plain(RULESET))
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
BLUNT = {"blunt_injury": True, "penetrating_injury": False}
FIVE = ("midline_tenderness", "intoxicated", "altered_alertness", "neurological_deficit", "distracting_injury")


def assessment(name, facts):
    return next(found for found in DECIDER.decide(facts, AT).assessments if found.fact == name)


# --- five-criterion low-risk rule ------------------------------------------------------------------------------------


@pytest.mark.parametrize("present", list(product((False, True), repeat=5)))
def test_low_risk_where_all_five_criteria_are_absent_and_nowhere_else(present):
    """Hoffman et al. 2000: all 2^5 combinations."""
    result = assessment("nexus_result", {**BLUNT, **dict(zip(FIVE, present, strict=True))})
    assert result.value == ("not_low_risk" if any(present) else "low_risk")
    assert result.missing == ()


@pytest.mark.parametrize("known", [known for known in product((False, True), repeat=5) if not all(known)])
def test_a_criterion_that_is_not_recorded_is_named_and_not_taken_as_absent(known):
    facts = {name: False for name, is_known in zip(FIVE, known, strict=True) if is_known}
    result = assessment("nexus_result", {**BLUNT, **facts})
    assert result.value is None
    assert set(result.missing) == set(FIVE) - facts.keys()


@pytest.mark.parametrize("injury", [{"blunt_injury": False}, {"penetrating_injury": True}])
def test_the_five_criteria_do_not_apply_without_a_purely_blunt_injury(injury):
    facts = {**BLUNT, **dict.fromkeys(FIVE, False), **injury}
    assert assessment("nexus_result", facts).value == "not_applicable"


# --- Canadian rule ---------------------------------------------------------------------------------------------------

COVERED = {
    **BLUNT,
    "age_years": 40,
    "glasgow_coma_score": 15,
    "stable_vital_signs": True,
    "known_vertebral_disease": False,
    "paralysis": False,
    "hours_since_injury": 5,
    "neck_pain": True,
}
LOW_RISK = {
    "simple_rear_end_collision": True,
    "sitting_in_department": True,
    "walked_since_injury": True,
    "delayed_neck_pain": True,
    "midline_tenderness": False,
}
"""Each factor with the answer that allows movement to be tested."""


@pytest.mark.parametrize(
    ("older", "dangerous", "paraesthesia", "allowing", "turns"),
    list(product((False, True), (False, True), (False, True), (None, *LOW_RISK), (False, True))),
)
def test_every_path_of_the_canadian_rule(older, dangerous, paraesthesia, allowing, turns):
    """Stiell et al. 2001: high-risk factor, else a low-risk factor, else imaging; then the neck turns or it does not."""
    low_risk = {name: answer == (name == allowing) for name, answer in LOW_RISK.items()}
    facts = {
        **COVERED,
        "age_years": 70 if older else 40,
        "dangerous_mechanism": dangerous,
        "paraesthesia": paraesthesia,
        **low_risk,
        "neck_rotation_45_degrees": turns,
    }
    high_risk = older or dangerous or paraesthesia
    expected = "no_imaging" if not high_risk and allowing is not None and turns else "imaging"
    assert assessment("canadian_rule_result", facts).value == expected


@pytest.mark.parametrize("allowing", LOW_RISK)
def test_one_low_risk_factor_is_enough_to_ask_for_rotation_and_nothing_else(allowing):
    low_risk = {name: answer == (name == allowing) for name, answer in LOW_RISK.items()}
    facts = {**COVERED, "dangerous_mechanism": False, "paraesthesia": False, **low_risk}
    result = assessment("canadian_rule_result", facts)
    assert (result.value, result.missing) == (None, ("neck_rotation_45_degrees",))


@pytest.mark.parametrize(
    "known",
    [
        {},
        BLUNT,
        COVERED,
        {**COVERED, "dangerous_mechanism": False, "paraesthesia": False},
        {**COVERED, "sitting_in_department": True},
        {**COVERED, "dangerous_mechanism": True},
    ],
)
def test_rotation_is_never_asked_for_before_the_rule_allows_it(known):
    assert "neck_rotation_45_degrees" not in assessment("canadian_rule_result", known).missing


@pytest.mark.parametrize(
    "outside",
    [
        {"age_years": 15},
        {"glasgow_coma_score": 14},
        {"stable_vital_signs": False},
        {"known_vertebral_disease": True},
        {"inflammatory_spine_disease": True},
        {"penetrating_injury": True},
        {"hours_since_injury": 49},
        {"paralysis": True},
        {"pregnant": True},
        {"returned_with_same_injury": True},
        {"previous_neck_fusion": True},
    ],
)
def test_whom_the_canadian_rule_does_not_cover(outside):
    """Stiell et al. 2001, exclusions as tabled in Emerg Med J 2021;38:330."""
    facts = {**COVERED, "dangerous_mechanism": True, **LOW_RISK, "neck_rotation_45_degrees": True, **outside}
    assert assessment("canadian_rule_result", facts).value == "not_applicable"


@pytest.mark.parametrize("at_the_limit", [{"age_years": 16}, {"hours_since_injury": 48}])
def test_whom_it_just_covers(at_the_limit):
    facts = {**COVERED, "paraesthesia": True, **at_the_limit}
    assert assessment("canadian_rule_result", facts).value == "imaging"


@pytest.mark.parametrize(
    ("mechanism", "dangerous"),
    [
        ({"fall_height_m": 0.9144}, True),  # 3 ft
        ({"fall_height_m": 1}, True),
        ({"fall_height_m": 0.9}, False),
        ({"fall_stairs": 5}, True),
        ({"fall_stairs": 4}, False),
        ({"axial_load_to_head": True}, True),
        ({"road_collision_speed_kmh": 101}, True),
        ({"road_collision_speed_kmh": 100}, False),
        ({"vehicle_rollover": True}, True),
        ({"ejected_from_vehicle": True}, True),
        ({"motorised_recreational_vehicle": True}, True),
        ({"bicycle_collision": True}, True),
    ],
)
def test_dangerous_mechanisms(mechanism, dangerous):
    """Stiell et al. 2001, footnote on dangerous mechanisms."""
    result = assessment("canadian_rule_result", {**COVERED, "paraesthesia": False, **mechanism})
    assert result.value == ("imaging" if dangerous else None)


@pytest.mark.parametrize(
    ("recorded", "said"),
    [
        ({"neck_pain": True}, "imaging"),
        ({"neck_pain": False, "visible_injury_above_clavicles": False}, "not_applicable"),
        ({"neck_pain": False, "visible_injury_above_clavicles": True, "walked_since_injury": True}, "not_applicable"),
        ({"neck_pain": False, "visible_injury_above_clavicles": True, "dangerous_mechanism": False}, "not_applicable"),
        ({"neck_pain": None}, None),
        (
            {
                "neck_pain": False,
                "visible_injury_above_clavicles": True,
                "dangerous_mechanism": True,
                "walked_since_injury": False,
            },
            "imaging",
        ),
    ],
)
def test_whom_the_canadian_rule_includes(recorded, said):
    """Stiell et al. 2001: neck pain; or a visible injury above the clavicles, a dangerous mechanism, and no walking yet."""
    facts = {name: value for name, value in {**COVERED, "age_years": 70, **recorded}.items() if value is not None}
    assert assessment("canadian_rule_result", facts).value == said


@pytest.mark.parametrize(
    "finding",
    [{"age_years": 65}, {"age_years": 40, "paraesthesia": True}, {"age_years": 40, "dangerous_mechanism": True}],
)
def test_a_high_risk_factor_decides_at_once(finding):
    """Stiell et al. 2001: a high-risk factor mandates imaging; nothing that is still open could spare it."""
    result = assessment("canadian_rule_result", {"blunt_injury": True, "neck_pain": True, **finding})
    assert result.value == "imaging"


@pytest.mark.parametrize("criterion", FIVE)
def test_one_criterion_decides_at_once(criterion):
    """Hoffman et al. 2000: low risk takes all five absent, so one that is present is enough."""
    assert assessment("nexus_result", {"blunt_injury": True, criterion: True}).value == "not_low_risk"


# --- paediatric rule of 2024 -----------------------------------------------------------------------------------------

CHILD = {
    **BLUNT,
    "age_years": 8,
    "glasgow_coma_score": 15,
    **dict.fromkeys(
        (
            "abnormal_airway_breathing_circulation",
            "neurological_deficit",
            "altered_alertness",
            "neck_pain",
            "neck_tenderness",
            "substantial_head_injury",
            "torso_injury",
            "intoxicated",
            "strangulation",
            "predisposing_condition",
        ),
        False,
    ),
}
"""A child in whom each finding and each exclusion is recorded as absent."""


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        ({}, "no_imaging"),
        ({"glasgow_coma_score": 3}, "ct"),
        ({"glasgow_coma_score": 8}, "ct"),
        ({"glasgow_coma_score": 9}, "x_ray"),
        ({"glasgow_coma_score": 14}, "x_ray"),
        ({"responsiveness": "unresponsive"}, "ct"),
        ({"responsiveness": "pain"}, "x_ray"),
        ({"responsiveness": "voice"}, "x_ray"),
        ({"responsiveness": "alert"}, "no_imaging"),
        ({"abnormal_airway_breathing_circulation": True}, "ct"),
        ({"neurological_deficit": True}, "ct"),
        ({"paraesthesia": True}, "ct"),
        ({"altered_alertness": True}, "x_ray"),
        ({"neck_pain": True}, "x_ray"),
        ({"neck_tenderness": True}, "x_ray"),
        ({"midline_tenderness": True}, "x_ray"),
        ({"substantial_head_injury": True}, "x_ray"),
        ({"torso_injury": True}, "x_ray"),
        ({"high_risk_crash": True}, "no_imaging"),
        ({"axial_load_to_head": True}, "no_imaging"),
        ({"torticollis": True}, "no_imaging"),
        ({"age_years": 0}, "no_imaging"),
        ({"age_years": 17.9}, "no_imaging"),
        ({"age_years": 18}, "not_applicable"),
        ({"penetrating_injury": True}, "not_applicable"),
    ],
)
def test_each_step_of_the_paediatric_rule(finding, said):
    """Leonard et al. 2024: CT for a first finding, else plain X-ray for a second, else none; no mechanism, no torticollis."""
    assert assessment("paediatric_rule_result", {**CHILD, **finding}).value == said


@pytest.mark.parametrize("left_out", ["strangulation", "intoxicated", "predisposing_condition"])
def test_whom_the_paediatric_rule_left_out(left_out):
    """One teaching page on Leonard et al. 2024; from memory."""
    assert assessment("paediatric_rule_result", {**CHILD, "neck_pain": True, left_out: True}).value == "not_applicable"


@pytest.mark.parametrize("unknown", sorted(CHILD.keys() - {"blunt_injury", "age_years"}))
def test_the_last_step_takes_every_finding_as_recorded(unknown):
    """Leonard et al. 2024: no imaging only where no finding is present; what nobody looked for is not absent."""
    facts = {name: value for name, value in CHILD.items() if name != unknown}
    assert assessment("paediatric_rule_result", facts).value is None


def test_where_the_children_s_lists_part_both_are_shown():
    """Leonard et al. 2024 counts no mechanism; Leonard et al. 2011 and the 2018 statement count a high-risk crash."""
    facts = {**CHILD, "high_risk_crash": True}
    assert assessment("paediatric_rule_result", facts).value == "no_imaging"
    assert assessment("motion_restriction", facts).value == "indicated"
    said = [caution.text for caution in DECIDER.decide(facts, AT).cautions]
    assert any("no imaging of the neck on this ground" in text for text in said)
    assert any("Spinal motion restriction is indicated" in text for text in said)
    assert any(text.startswith("Two lists part") for text in said)


# --- spinal motion restriction ---------------------------------------------------------------------------------------

ADULT_SIGNS = (
    "altered_alertness",
    "intoxicated",
    "midline_spine_pain",
    "midline_tenderness",
    "neurological_deficit",
    "spine_deformity",
    "distracting_injury",
    "examination_unreliable",
)
CHILD_SIGNS = (
    "midline_spine_pain",
    "torticollis",
    "neurological_deficit",
    "altered_alertness",
    "intoxicated",
    "high_risk_crash",
    "axial_load_to_head",
    "torso_injury",
    "midline_tenderness",
)


@pytest.mark.parametrize(("age", "signs"), [(40, ADULT_SIGNS), (6, CHILD_SIGNS)])
def test_each_sign_of_the_statement_alone_indicates_restriction_and_none_of_them_does_not(age, signs):
    """Joint position statement 2018; the lists are from memory."""
    absent = {**BLUNT, "age_years": age, **dict.fromkeys(signs, False)}
    assert assessment("motion_restriction", absent).value == "not_indicated_by_rule"
    for sign in signs:
        assert assessment("motion_restriction", {**absent, sign: True}).value == "indicated"
        without = {name: value for name, value in absent.items() if name != sign}
        open_question = assessment("motion_restriction", without)
        assert (open_question.value, open_question.missing) == (None, (sign,))


@pytest.mark.parametrize("age", [0.2, 2, 5, 10, 15])
def test_no_child_is_restricted_by_age_alone(age):
    """Joint position statement 2018."""
    assert assessment("motion_restriction", {**BLUNT, "age_years": age}).value is None
    absent = {**BLUNT, "age_years": age, **dict.fromkeys(CHILD_SIGNS, False)}
    assert assessment("motion_restriction", absent).value == "not_indicated_by_rule"


@pytest.mark.parametrize(("deficit", "said"), [(False, "not_indicated_by_rule"), (True, "clinician_decides")])
def test_penetrating_injury(deficit, said):
    """Joint position statement 2018: no role in penetrating trauma, without exception; the exception for a deficit is local."""
    facts = {"blunt_injury": False, "penetrating_injury": True, "neurological_deficit": deficit}
    assert assessment("motion_restriction", facts).value == said


@pytest.mark.parametrize("sign", ["paraesthesia", "paralysis"])
@pytest.mark.parametrize("deficit", [False, None])
def test_a_deficit_by_another_name_is_not_overlooked(sign, deficit):
    """A record that calls the deficit absent, or says nothing of it, beside tingling or paralysis."""
    recorded = {sign: True} if deficit is None else {sign: True, "neurological_deficit": deficit}
    penetrating = {"blunt_injury": False, "penetrating_injury": True, **recorded}
    assert assessment("motion_restriction", penetrating).value == "clinician_decides"
    blunt = {"blunt_injury": True, "penetrating_injury": False, **recorded}
    assert assessment("motion_restriction", blunt).value == "indicated"
    assert assessment("nexus_result", blunt).value == "not_low_risk"


def test_no_text_about_need_tells_anybody_to_take_a_collar_off():
    told = re.compile(r"\b(remove|take off|discontinue|clear)\b.*\b(collar|neck|spine)\b", re.I)
    about = [rule for rule in RULESET.rules.values() if rule.topic == "need"]
    assert any(rule.then.cautions for rule in about)
    for rule in about:
        for text in (rule.title, rule.because, *(caution.text for caution in rule.then.cautions)):
            assert not told.search(text), (rule.id, text)
