"""One task from several rules that ask for it: strictest timing, all hands, the performer asked for last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rules.model.ruleset import TaskCall, TaskDefinition
from rules.model.timing import Timing, strictest


@dataclass(frozen=True)
class MergedTask:
    """When, by whom and with how many people a task is done, once every rule that asks for it is heard.

    ``hands`` pairs the ids of hands, in alphabetical order, with the number of people for each; ``fewest`` is the least number
    of people whatever the hands.
    """

    timing: Timing
    performer: str
    fewest: int
    hands: tuple[tuple[str, int], ...] = ()

    @property
    def people(self) -> int:
        """How many people it takes: one for each hand, and never fewer than was asked for."""
        return max(self.fewest, sum(count for _, count in self.hands))


def merge(definition: TaskDefinition, calls: Iterable[TaskCall], before: MergedTask | None = None) -> MergedTask:
    """The task that satisfies all of ``calls`` (in firing order), and what was merged ``before`` them.

    ``definition`` says who does the task, with how many, where no call says otherwise. Merging in steps gives the same
    as merging at once. Raises ValueError where nothing asks for the task.
    """
    calls = list(calls)
    if before is None and all(call.joins for call in calls):
        raise ValueError(f"no rule asks for the task {definition.id}; there is nothing to merge")
    if not calls and before is not None:
        return before
    asked = [call.performer for call in calls if call.performer is not None]
    people = [call.people for call in calls if call.people is not None]
    start = before or MergedTask(Timing(), definition.performer, definition.people, _together([definition.hands]))
    timings = [call.timing for call in calls]
    return MergedTask(
        timing=strictest([before.timing, *timings] if before else timings),
        performer=asked[-1] if asked else start.performer,
        fewest=max([start.fewest, *people]),
        hands=_together([dict(start.hands), *(call.hands for call in calls)]),
    )


def _together(several: Iterable[Mapping[str, int]]) -> tuple[tuple[str, int], ...]:
    """Of each hand as many as whoever asks for most of it."""
    most: dict[str, int] = {}
    for hands in several:
        for name, count in hands.items():
            most[name] = max(most.get(name, 0), count)
    return tuple(sorted(most.items()))
