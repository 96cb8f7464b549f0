"""One task from several rules that ask for it: strictest timing, most people, the performer asked for last."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rules.model.ruleset import TaskCall, TaskDefinition
from rules.model.timing import Timing, strictest


@dataclass(frozen=True)
class MergedTask:
    """When, by whom and by how many people a task is done, once every rule that asks for it is heard."""

    timing: Timing
    performer: str
    people: int


def merge(definition: TaskDefinition, calls: Iterable[TaskCall], before: MergedTask | None = None) -> MergedTask:
    """The task that satisfies all of ``calls`` (in firing order), and what was merged ``before`` them.

    Merging in steps gives the same as merging at once. Raises ValueError where there is nothing to merge.
    """
    calls = list(calls)
    if not calls:
        if before is None:
            raise ValueError(f"no rule asks for the task {definition.id}; there is nothing to merge")
        return before
    asked = [call.performer for call in calls if call.performer is not None]
    people = [call.people for call in calls if call.people is not None]
    start = before or MergedTask(Timing(), definition.performer, definition.people)
    timings = [call.timing for call in calls]
    return MergedTask(
        timing=strictest([before.timing, *timings] if before else timings),
        performer=asked[-1] if asked else start.performer,
        people=max([start.people, *people]),
    )
