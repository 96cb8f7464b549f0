"""Parts that follow from rules alone are made once: patients who differ in hours share their tasks, so memory stays level."""

from datetime import UTC, datetime

from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
WORN = {
    "age_years": 41,
    "neck_height_mm": 66,
    "neck_circumference_mm": 380,
    "head_position": "neutral",
    "bed_rest": True,
    "collar_in_place": True,
}


def test_patients_who_wear_a_collar_for_different_hours_share_every_task_that_does_not_count_them() -> None:
    decider = Decider(load_ruleset())
    first, second = (
        {task.task: task for task in decider.decide({**WORN, "collar_hours": hours}, AT).tasks} for hours in (3.25, 3.5)
    )
    assert len(first) > 5 and first.keys() == second.keys()
    counted = {name for name, task in first.items() if task is not second[name]}
    assert {name for name, task in first.items() if task != second[name]} == counted
    assert 1 <= len(counted) <= 2
