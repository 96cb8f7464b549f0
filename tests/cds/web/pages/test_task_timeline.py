"""Tasks on the clock."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from cds.web.pages.task_timeline import lanes, staffing
from rules.deciding.decider import Decider
from rules.model.decision import Task
from rules.model.timing import Timing
from tests.shipped_content import RULESET

FRIDAY = datetime(2026, 1, 30, 20, tzinfo=UTC)
(TASK, *_) = Decider(RULESET).decide({"age_years": 41, "collar_in_place": True}, FRIDAY).tasks


def _task(**timing: float) -> Task:
    return TASK.model_copy(update={"timing": Timing.model_validate(timing)})


@pytest.mark.parametrize(
    ("timing", "hours", "words"),
    [
        ({}, (), None),
        ({"within_hours": 0}, (0,), "now"),
        ({"within_hours": 2}, (2,), "by 22:00"),
        ({"within_hours": 100}, (), None),
        ({"every_hours": 24}, (24, 48, 72), "from Sat 20:00"),
        ({"times_per_day": 2, "within_hours": 1}, (1, 13, 25, 37, 49, 61), "from 21:00"),
        ({"times_per_day": 2, "within_hours": 0}, (0, 12, 24, 36, 48, 60, 72), "now"),
        ({"every_hours": 12, "for_days": 1}, (12, 24), "from Sat 08:00"),
    ],
)
def test_hours_and_words_of_a_rhythm(timing: dict[str, float], hours: tuple[float, ...], words: str | None) -> None:
    ((scheduled,),) = [lane.tasks for lane in lanes([_task(**timing)], FRIDAY, UTC)]
    assert scheduled.hours == hours and scheduled.clock_words == words


def test_the_clock_is_that_of_the_ward() -> None:
    ((scheduled,),) = [lane.tasks for lane in lanes([_task(within_hours=2)], FRIDAY, timezone(timedelta(hours=1)))]
    assert scheduled.clock_words == "by 23:00"


@pytest.mark.parametrize(
    ("hours", "words"),
    # In 2026 the clocks of Madrid go forward on 29 March at 02:00, by Directive 2000/84/EC.
    [(2, "by 04:00"), (4, "by 06:00"), (30, "by Mon 08:00")],
)
def test_hours_pass_also_where_the_clocks_change(hours: float, words: str) -> None:
    at = datetime(2026, 3, 29, 0, tzinfo=UTC)
    ((scheduled,),) = [lane.tasks for lane in lanes([_task(within_hours=hours)], at, ZoneInfo("Europe/Madrid"))]
    assert scheduled.clock_words == words


def test_what_takes_most_people_stands_first_and_one_person_needs_no_line() -> None:
    tasks = [TASK.model_copy(update={"people": people, "hands": ()}) for people in (1, 2, 4)]
    assert [need.people for need in staffing(tasks)] == [4, 2]
