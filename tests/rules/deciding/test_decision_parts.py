"""Parts that follow from rules alone are made once: patients who differ in hours share their tasks, so memory stays level."""

from datetime import UTC, datetime

from rules.deciding.decider import Decider
from rules.deciding.decision_parts import DecisionParts
from tests.rules.small_deciding import deciding_ruleset
from tests.shipped_content import RULESET

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
    decider = Decider(RULESET)
    first, second = (
        {task.task: task for task in decider.decide({**WORN, "collar_hours": hours}, AT).tasks} for hours in (3.25, 3.5)
    )
    assert len(first) > 5 and first.keys() == second.keys()
    counted = {name for name, task in first.items() if task is not second[name]}
    assert {name for name, task in first.items() if task != second[name]} == counted
    assert 1 <= len(counted) <= 2


def test_a_bounded_number_of_parts_is_kept_and_each_is_made_once() -> None:
    ruleset = deciding_ruleset()
    parts = DecisionParts(ruleset)
    kept = (parts._kept_task, parts.caution, parts.leaflets)
    assert [each.cache_info().maxsize for each in kept] == [1024] * 3
    assert parts.compared.cache_info().maxsize == len(ruleset.rules)
    assert parts.compared("small.lying") is parts.compared("small.lying")
    # Only the task that counts hours of wear differs with them.
    look = [parts.task("look", ("small.bleeding",), hours) for hours in (None, 1.0, 2.0)]
    turn = [parts.task("turn", ("small.lying",), hours) for hours in (1.0, 1.0, 2.0)]
    assert look[0] is look[1] is look[2] and turn[0] is turn[1] is not turn[2]


def test_leaflets_hold_what_was_chosen_in_each_language_and_none_where_nothing_was() -> None:
    parts = DecisionParts(deciding_ruleset())
    assert parts.leaflets(()) == ()
    told = [
        (each.language, each.title, each.notice, [(one.instruction, one.title, one.lines) for one in each.sections])
        for each in parts.leaflets(("wash", "rest"))
    ]
    assert told == [
        ("de", "Worte", "erfunden", [("wash", "Waschen", ("Waschen.",)), ("rest", "Ruhen", ("Ruhen.",))]),
        ("en", "Words", "invented", [("wash", "Wash", ("Wash.",)), ("rest", "Rest", ("Rest.",))]),
    ]
