"""Skin under devices: NPUAP/EPUAP/PPPIA quick guide 2014: at least twice daily, more often with oedema or fluid shifts.

Stages: Edsberg et al., J Wound Ostomy Continence Nurs 2016;43:585-597.
That wear counts as prolonged from two days on is how Brannigan et al. (Global Spine J 2022;12:1968-1978) chose their studies;
it is no threshold of harm.
"""

import pytest
from hypothesis import given, settings

from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.evaluation.interpreter import fire
from rules.loading.loader import load_ruleset
from rules.model.timing import strictest
from rules.testing.cases import MOMENT
from tests.rules.patients import patients
from tests.shipped_content import RULESET


def interval_hours(facts):
    calls = [c for rule in fire(RULESET, facts).fired for c in rule.then.tasks if c.task == "inspect_skin"]
    return strictest(call.timing for call in calls).interval_hours


@settings(max_examples=300)
@given(patients(RULESET))
def test_whoever_wears_a_collar_that_may_be_opened_is_inspected_at_least_twice_a_day(facts):
    concluded = fire(RULESET, facts).facts
    if concluded.get("collar_opened"):
        assert interval_hours(facts) <= 12
    elif concluded.get("collar_care"):
        assert concluded.get("fitting_withheld") or concluded.get("closed_as_ordered")


@pytest.mark.parametrize("risk", ["oedema", "neck_swelling"])
def test_with_oedema_or_fluid_shifts_it_is_more_often(risk):
    assert interval_hours({"collar_in_place": True, "age_years": 40}) == 12
    assert interval_hours({"collar_in_place": True, "age_years": 40, risk: True}) < 12


@pytest.mark.parametrize(("name", "value"), [("skin_checks_per_day", 1), ("skin_check_raised_hours", 13)])
def test_a_site_cannot_go_below_twice_a_day(tmp_path, name, value):
    overlay = tmp_path / "site.yaml"
    overlay.write_text(
        f"site: {{name: Invented General}}\nparameters: {{{name}: {{value: {value}, because: fewer}}}}\n"
    )
    with pytest.raises(KnowledgeError, match="outside the allowed range"):
        load_ruleset(overlays=[overlay])


def test_the_stages_are_those_of_the_staging_system():
    stages = {"stage_1", "stage_2", "stage_3", "stage_4", "unstageable", "deep_tissue"}
    assert set(RULESET.vocabulary["skin_damage_grade"].values) == stages | {"none"}


@pytest.mark.parametrize("stage", ["stage_1", "stage_2", "stage_3", "stage_4", "unstageable", "deep_tissue"])
def test_every_stage_of_damage_has_an_answer(stage):
    facts = {"collar_in_place": True, "skin_damage_grade": stage, "skin_breakdown": "chin"}
    fired = {rule.id for rule in fire(RULESET, facts).fired}
    deep = {"skin.damage.deep", "skin.damage.deep_told", "skin.damage.deep_again", "skin.damage.deep_worn"}
    wanted = deep if stage not in ("stage_1", "stage_2") else {f"skin.damage.{stage}"}
    assert {rule for rule in fired if rule.startswith("skin.damage.")} == {*wanted, "skin.damage.report"}


@pytest.mark.parametrize(("hours", "prolonged"), [(47, False), (48, True), (49, True)])
def test_wear_counts_as_prolonged_from_two_days_on(hours, prolonged):
    facts = {"collar_in_place": True, "collar_hours": hours}
    assert ("skin.raised.long_wear" in {rule.id for rule in fire(RULESET, facts).fired}) == prolonged


def test_the_sites_named_in_the_review_of_2014_are_looked_at():
    # Ham et al., J Trauma Acute Care Surg 2014;76:1131-1141: occiput, chin, shoulders, back.
    assert {"occiput", "chin", "shoulder", "back"} <= set(RULESET.vocabulary["skin_breakdown"].values)
    instruction = RULESET.tasks["inspect_skin"].instruction
    assert all(site in instruction for site in ("back of the head", "chin", "shoulders", "upper back"))


def test_two_people_open_a_collar_whoever_wears_it():
    decision = Decider(RULESET).decide({"collar_in_place": True}, MOMENT)
    opening = [task for task in decision.tasks if task.task in ("inspect_skin", "wash_under_collar", "change_lining")]
    assert {task.task for task in opening} >= {"inspect_skin"}
    for task in opening:
        assert task.people >= 2
        assert RULESET.tasks[task.task].hands["head"] == 1
