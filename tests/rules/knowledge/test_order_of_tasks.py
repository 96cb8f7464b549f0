"""Tasks stand in the order in which they are done (common practice, no source)."""

import itertools
from datetime import UTC, datetime

import pytest

from rules.deciding.decider import Decider
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)

NEED_FIRST = ("decide_collar_need", "decide_neck_imaging", "measure_neck", "fit_collar")
FITTING = (
    "airway_check",
    "measure_neck",
    "raise_back",
    "prepare_for_collar",
    "neuro_check",
    "fit_collar",
    "record_fitting",
    "check_fit",
    "refit_collar",
)
ONE_OPENING = (
    "look_under_edges",
    "inspect_skin",
    "grade_skin_damage",
    "relieve_pressure",
    "wash_under_collar",
    "facial_hair_care",
    "hair_care",
    "change_lining",
    "change_back",
    "reposition",
    "refer_tissue_viability",
    "report_device_injury",
)
THE_DAY = ("inspect_skin", "wash_under_collar", "review_need", "plan_weaning")
GETTING_UP = ("get_spine_plan", "first_getting_up")
LEAVING = ("review_need", "write_handover", "give_spare_linings", "book_follow_up", "teach_handling")
AFTER_FRONT_SURGERY = (
    "airway_check",
    "watch_front_of_neck",
    "neuro_check",
    "screen_swallowing",
    "inspect_skin",
    "review_need",
)
BEFORE_SURGERY = ("measure_neck", "theatre_handover", "wash_under_collar", "review_need")
SEQUENCES = (NEED_FIRST, FITTING, ONE_OPENING, THE_DAY, GETTING_UP, LEAVING, AFTER_FRONT_SURGERY, BEFORE_SURGERY)

WHOEVER_ASKS_FOR_MUCH = {
    "age_years": 70,
    "collar_in_place": True,
    "collar_hours": 60,
    "ordered_wear_hours": 500,
    "facial_hair": True,
    "long_hair": True,
    "skin_breakdown": "occiput",
    "bed_rest": True,
    "collar_back": "standard",
    "spine_precautions": True,
}


@pytest.mark.parametrize("sequence", SEQUENCES, ids=lambda sequence: f"{sequence[0]}-to-{sequence[-1]}")
def test_the_content_lists_tasks_in_the_order_of_doing(sequence):
    assert set(sequence) <= set(RULESET.tasks)
    listed = [task for task in RULESET.tasks if task in sequence]
    assert listed == list(sequence)


def test_a_decision_keeps_that_order():
    asked = [task.task for task in DECIDER.decide(WHOEVER_ASKS_FOR_MUCH, AT).tasks]
    places = [list(RULESET.tasks).index(task) for task in asked]
    assert len(asked) > 10 and all(one < other for one, other in itertools.pairwise(places))
    assert {"inspect_skin", "grade_skin_damage", "wash_under_collar", "hair_care", "plan_weaning"} <= set(asked)
