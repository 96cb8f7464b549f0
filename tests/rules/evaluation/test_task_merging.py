"""One task from several rules: the strictest timing, all hands, the performer asked for last."""

from __future__ import annotations

import pytest

from rules.evaluation.task_merging import MergedTask, merge
from rules.model.ruleset import TaskCall, TaskDefinition
from rules.model.timing import Timing
from tests.rules.small_deciding import deciding_ruleset

TURN: TaskDefinition = deciding_ruleset().tasks["turn"]
LYING, SHEET = (call for call in deciding_ruleset().rules["small.lying"].then.tasks if call.task == "turn")
"""Every four hours, two to roll; and, where somebody asks for it, five people."""
(JOINING,) = deciding_ruleset().rules["small.join"].then.tasks
(CALLING,) = deciding_ruleset().rules["small.threat"].then.tasks


@pytest.mark.parametrize(
    ("calls", "expected", "people"),
    [
        ([LYING], MergedTask(Timing(every_hours=4, within_wear_hours=6), "nurse", 1, (("head", 1), ("rolls", 2))), 3),
        (
            [LYING, SHEET],
            MergedTask(Timing(every_hours=4, within_wear_hours=6), "nurse", 5, (("head", 1), ("rolls", 2))),
            5,
        ),
        (
            [JOINING, LYING],
            MergedTask(Timing(every_hours=4, within_wear_hours=6), "nurse", 1, (("head", 1), ("rolls", 2))),
            3,
        ),
        ([CALLING], MergedTask(Timing(within_hours=0), "doctor", 1, (("head", 1), ("rolls", 1))), 2),
        (
            [CALLING, LYING],
            MergedTask(
                Timing(every_hours=4, within_hours=0, within_wear_hours=6), "doctor", 1, (("head", 1), ("rolls", 2))
            ),
            3,
        ),
    ],
)
def test_all_that_ask_are_heard(calls: list[TaskCall], expected: MergedTask, people: int) -> None:
    assert merge(TURN, calls) == expected
    assert merge(TURN, calls).people == people
    assert merge(TURN, [], merge(TURN, calls)) == expected


def test_merging_in_steps_gives_the_same_as_at_once() -> None:
    steps = merge(TURN, [LYING])
    assert merge(TURN, [SHEET, CALLING], steps) == merge(TURN, [LYING, SHEET, CALLING])
    # What was asked of the task before stays, also where only somebody joins.
    assert merge(TURN, [SHEET], steps) == merge(TURN, [LYING, SHEET])
    assert merge(TURN, [SHEET], merge(TURN, [CALLING])).performer == "doctor"


@pytest.mark.parametrize("calls", [[], [JOINING], [SHEET, JOINING]])
def test_where_nobody_asks_there_is_nothing_to_merge(calls: list[TaskCall]) -> None:
    with pytest.raises(ValueError, match=r"^no rule asks for the task turn; there is nothing to merge$"):
        merge(TURN, calls)
