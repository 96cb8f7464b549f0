"""What published guidelines say while a collar is worn, and to whom they do not apply.

EAST: Patel et al., J Trauma Acute Care Surg 2015;78:430-441 (from 16 years, blunt injury, obtunded, negative high-quality CT
with slices under 3 mm; very low-quality evidence). NICE NG41 (2016), NG89 (2018), CG103 (2010, updated 2023), NG249 (2025).
"""

from itertools import product

import pytest

from rules.evaluation.interpreter import fire
from tests.shipped_content import RULESET

EAST = {
    "age_years": (16, 15.9),
    "blunt_injury": (True, False),
    "sedated": (True, False),
    "ct_neck": ("negative", "positive"),
    "ct_neck_high_quality": (True, False),
    "collar_in_place": (True, False),
}
"""Each criterion with an answer that meets it and one that does not."""


def fired(facts):
    return {rule.id for rule in fire(RULESET, facts).fired}


@pytest.mark.parametrize("meets", list(product((True, False), repeat=len(EAST))))
def test_the_guideline_is_quoted_only_where_every_criterion_is_met(meets):
    facts = {name: answers[not met] for (name, answers), met in zip(EAST.items(), meets, strict=True)}
    assert ("review.ct.obtunded_negative" in fired(facts)) == all(meets)


@pytest.mark.parametrize("missing", EAST)
def test_an_unknown_criterion_is_not_taken_for_met(missing):
    facts = {name: answers[0] for name, answers in EAST.items() if name != missing}
    assert "review.ct.obtunded_negative" not in fired(facts)


def test_the_guideline_is_quoted_and_a_clinician_decides():
    (caution,) = RULESET.rules["review.ct.obtunded_negative"].then.cautions
    # Seen without a click, as it may end the collar; what is info stands folded.
    assert caution.severity == "warning"
    assert "conditionally recommends" in caution.text
    assert "slices under 3 mm" in caution.text and "very low-quality" in caution.text
    assert "The responsible clinician decides" in caution.text
    assert "until then the collar stays on" in caution.text


@pytest.mark.parametrize("sign", ["neurological_deficit", "paralysis"])
@pytest.mark.parametrize("present", [True, False, None])
def test_with_a_deficit_the_guideline_on_ct_alone_is_not_quoted(sign, present):
    # NICE NG41: from 16 years on an MRI follows the CT with a neurological abnormality.
    facts = {name: answers[0] for name, answers in EAST.items()}
    rules = fired(facts if present is None else {**facts, sign: present})
    assert ("review.ct.obtunded_negative" in rules) == (not present)
    assert ("review.ct.negative_with_deficit" in rules) == bool(present)


@pytest.mark.parametrize("sign", ["neurological_deficit", "paralysis"])
@pytest.mark.parametrize("result", ["negative", "positive", "inconclusive", "not_done"])
def test_with_a_deficit_a_negative_ct_is_followed_by_a_decision_on_mri(result, sign):
    # NICE NG41.
    facts = {"collar_in_place": True, sign: True, "ct_neck": result}
    assert ("review.ct.negative_with_deficit" in fired(facts)) == (result == "negative")


@pytest.mark.parametrize("sign", ["neurological_deficit", "paralysis"])
@pytest.mark.parametrize(("age", "child"), [(15.9, True), (16, False)])
def test_under_16_a_deficit_asks_for_mri_at_once(age, child, sign):
    # NICE NG41: MRI at once on strong suspicion, whatever a CT shows.
    rules = fired({"collar_in_place": True, sign: True, "age_years": age, "ct_neck": "negative"})
    assert ("review.mri.child_deficit" in rules) == child
    assert ("review.ct.negative_with_deficit" in rules) == (not child)


@pytest.mark.parametrize(
    ("age", "more", "wanted"),
    [
        (64, {}, False),
        (65, {}, True),
        (30, {"cognitive_impairment": True}, True),
        (30, {"hip_fracture": True}, True),
        (30, {"setting": "critical_care"}, True),
        (12, {"cognitive_impairment": True}, False),
    ],
)
def test_delirium_is_looked_for_daily_in_adults_at_risk(age, more, wanted):
    # NICE CG103: age 65 or over, cognitive impairment, hip fracture, severe illness; adults.
    facts = {"collar_in_place": True, "setting": "ward", "age_years": age, **more}
    assert ("review.delirium.risk" in fired(facts)) == wanted
    (call,) = RULESET.rules["review.delirium.risk"].then.tasks
    assert call.timing.times_per_day == 1


@pytest.mark.parametrize("setting", ["emergency", "critical_care", "ward", "theatre", "home", "prehospital"])
def test_thrombosis_is_assessed_in_hospital(setting):
    # NICE NG89: from 16 years, as soon as possible after admission; its 14 hours are for starting drugs.
    facts = {"collar_in_place": True, "setting": setting, "age_years": 16, "bed_rest": True}
    assert ("review.thrombosis.bed_rest" in fired(facts)) == (setting not in ("home", "prehospital"))
    (call,) = RULESET.rules["review.thrombosis.bed_rest"].then.tasks
    assert call.timing.within_hours < 14
    assert RULESET.parameters["thrombosis_within_hours"].confirm
    assert RULESET.parameters["thrombosis_within_hours"].sources == ("local-schedule",)


@pytest.mark.parametrize(
    ("age", "higher_risk", "wanted"), [(64, False, False), (65, False, True), (49, True, False), (50, True, True)]
)
def test_the_risk_of_falling_is_assessed_from_65_and_from_50_at_higher_risk(age, higher_risk, wanted):
    # NICE NG249.
    facts = {"collar_in_place": True, "setting": "home", "age_years": age, "mobility": "walking"}
    facts["osteoporosis"] = higher_risk
    assert ("handover.teach.falls" in fired(facts)) == wanted
