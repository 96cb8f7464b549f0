"""The tasks of a decision on the clock: who does what, and when in the next 72 hours."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from rules.model.decision import Task
from rules.model.timing import Timing

HOURS = 72
"""How far ahead is shown."""

_SOON_HOURS = 1
"""What is due within so long is done now."""

_OF_A_FITTING = frozenset({"before_fitting", "after_fitting"})
_LEAVING = "before_leaving"
"""Events of the rule set that have a place of their own on the page."""


@dataclass(frozen=True)
class Staffing:
    """How many people something takes, what each of them does, and the tasks."""

    people: int
    hands: tuple[str, ...]
    tasks: tuple[str, ...]


@dataclass(frozen=True)
class ScheduledTask:
    """A task with the hours from now at which the clock calls for it, and the first of them in words."""

    task: Task
    hours: tuple[float, ...]
    clock_words: str | None


@dataclass(frozen=True)
class Lane:
    """The tasks of one role, in the order of doing."""

    role: str
    tasks: tuple[ScheduledTask, ...]


@dataclass(frozen=True)
class Doing:
    """What is done at one time, in the order of doing, under its ``heading``; ``part`` names the section."""

    part: str
    heading: str
    tasks: tuple[Task, ...]


def staffing(tasks: Iterable[Task]) -> list[Staffing]:
    """Which of ``tasks`` take more than one person, most people first."""
    found: dict[tuple[int, tuple[str, ...]], list[str]] = {}
    for task in tasks:
        if task.people > 1:
            found.setdefault((task.people, task.hands), []).append(task.title)
    return sorted(
        (Staffing(people, hands, tuple(titles)) for (people, hands), titles in found.items()),
        key=lambda one: -one.people,
    )


def is_of_now(task: Task) -> bool:
    """Whether ``task`` is done in one go with the fitting or at an event, not by the clock of the coming days."""
    timing = task.timing
    return timing.interval_hours is None and (timing.within_hours is None or timing.within_hours <= _SOON_HOURS)


def begins_now(task: Task) -> bool:
    """Whether ``task`` comes back by the clock and is due for the first time now."""
    timing = task.timing
    return timing.interval_hours is not None and timing.within_hours is not None and timing.within_hours <= _SOON_HOURS


def awaits_event(task: Task) -> bool:
    """Whether only an event calls for ``task``, and no hour."""
    return bool(task.timing.on) and task.timing.within_hours is None


def doings(tasks: Sequence[Task], fitting: Task | None) -> list[Doing]:
    """Which of ``tasks`` do not wait for the clock, by what they belong to, tasks in their order.

    What begins now, the ``fitting`` (None: there is none) with what goes with it, and what an event calls for.
    """
    found: dict[str, list[Task]] = {"now": [], "order": [], "events": [], "leaving": []}
    for place, task in enumerate(tasks):
        if is_of_now(task) or begins_now(task):
            found[_part(task, fitting, place < tasks.index(fitting) if fitting else False)].append(task)
    waits = fitting is not None and awaits_event(fitting)
    headings = {
        "now": "Now",
        "order": "When the collar goes on, in this order" if waits else "Do, in this order",
        "events": "When its moment comes",
        "leaving": "Before the patient leaves",
    }
    return [Doing(part, headings[part], tuple(listed)) for part, listed in found.items() if listed]


def _part(task: Task, fitting: Task | None, precedes: bool) -> str:
    """The section of ``task``, which ``precedes`` the fitting or not."""
    timing = task.timing
    if task is fitting:
        return "order"
    if timing.within_hours is not None:
        # The neck is measured within the hour after the airway is looked at and before the collar goes on.
        in_between = fitting is not None and precedes and timing.within_hours > 0 and not awaits_event(fitting)
        return "order" if in_between else "now"
    if not timing.on or (fitting is not None and _OF_A_FITTING.intersection(timing.on)):
        return "order"
    return "leaving" if _LEAVING in timing.on else "events"


def lanes(tasks: Iterable[Task], at: datetime, zone: tzinfo | None) -> list[Lane]:
    """``tasks`` by role, their hours counted from the moment ``at`` (with time zone).

    ``zone`` is that of the ward's clock (None: the clock of this machine).
    """
    found: dict[str, list[ScheduledTask]] = {}
    for task in tasks:
        hours = tuple(_hours(task.timing))
        words = _clock_words(task.timing, hours, at, zone)
        found.setdefault(task.performer_words, []).append(ScheduledTask(task, hours, words))
    return [Lane(role, tuple(scheduled)) for role, scheduled in found.items()]


def _hours(timing: Timing) -> Iterator[float]:
    """Hours from now at which the task is due by the clock; events have none."""
    interval, first = timing.interval_hours, timing.within_hours
    if interval is None:
        if first is not None and first <= HOURS:
            yield first
        return
    end = min(HOURS, HOURS if timing.for_days is None else timing.for_days * 24)
    moment = interval if first is None else first
    while moment <= end:
        yield moment
        moment += interval


def _clock_words(timing: Timing, hours: tuple[float, ...], at: datetime, zone: tzinfo | None) -> str | None:
    if not hours:
        return None
    first = hours[0]
    if first == 0:
        return "now"
    # Hours pass as they do when the clocks change; what the clock then shows is another matter.
    now, then = (moment.astimezone(zone) for moment in (at, at.astimezone(UTC) + timedelta(hours=first)))
    moment = f"{then:%H:%M}" if then.date() == now.date() else f"{then:%a %H:%M}"
    return f"{'by' if timing.interval_hours is None else 'from'} {moment}"
