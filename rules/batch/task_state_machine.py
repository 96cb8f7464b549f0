"""One task merged over a table of patients: a small machine whose state is what was merged so far.

Each rule that asks for the task moves the machine from state to state. The states that can be reached are few, so a row of
the table needs one number for the task and one look-up for every seven rules.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from rules.errors import EngineError
from rules.evaluation.task_merging import MergedTask, merge
from rules.model.ruleset import Rule, Ruleset, TaskCall, TaskDefinition
from rules.model.timing import Timing

RULES_AT_ONCE = 7
_MOST_STATES = 131_071


class TaskMachine:
    """The machine of one task. At its end 0 means that no rule asks for the task, and n stands for ``merged[n - 1]``.

    Rules that only join are heard after those that ask, so that they change nothing where nobody asks. At the end states that
    differ only in who does what, and not in how many people it takes, are one.
    """

    def __init__(self, ruleset: Ruleset, task: str) -> None:
        """Build the machine of ``task``. Raises EngineError where its rules can be merged in too many ways."""
        self._ruleset = ruleset
        calls = {rule.id: [call for call in rule.then.tasks if call.task == task] for rule in ruleset.rules.values()}
        calling = [rule for rule in ruleset.rules.values() if calls[rule.id]]
        calling.sort(key=lambda rule: all(call.joins for call in calls[rule.id]))
        self.chunks = [calling[start : start + RULES_AT_ONCE] for start in range(0, len(calling), RULES_AT_ONCE)]
        definition = ruleset.tasks[task]
        parts = {name: _Part(definition, calls, only) for name, only in _PARTS.items()}
        states = pl.DataFrame({name: [0] for name in parts}, schema=dict.fromkeys(parts, pl.UInt32))
        self.tables: list[pl.Series] = []
        """For each chunk the next state at ``state * 2 ** len(chunk) + fired``; bit n of ``fired`` says that rule n fired."""
        for chunk in self.chunks:
            after = pl.DataFrame([part.after(states[name], chunk) for name, part in parts.items()])
            states = pl.concat([states, after]).unique(maintain_order=True)
            if states.height > _MOST_STATES:
                raise EngineError(
                    f"the task {task} can be merged in more than {_MOST_STATES} ways; give its rules fewer timings"
                )
            self.tables.append(_places(after, states))
        outcomes = states.with_columns(staff=parts["staff"].counted().gather(states["staff"]))
        different = outcomes.unique(maintain_order=True)
        if self.tables:
            self.tables[-1] = _places(outcomes, different).gather(self.tables[-1])
        rhythms, events, staff = (part.tasks for part in parts.values())
        timing = {
            (rhythm, event): rhythms[rhythm].timing.model_copy(update={"on": events[event].timing.on})
            for rhythm, event in different[1:].select("rhythm", "events").unique().iter_rows()
        }
        self.merged = tuple(
            MergedTask(timing[rhythm, event], staff[who].performer, staff[who].people)
            for rhythm, event, who in different[1:].iter_rows()
        )
        """What can come out."""

    def labels(self) -> tuple[str, ...]:
        """Each of ``merged`` in words that tell it from all others."""
        people = {merged.people for merged in self.merged}
        performers = {merged.performer for merged in self.merged}
        seen: Counter[str] = Counter()
        labels = []
        for merged in self.merged:
            parts = [merged.timing.describe(self._ruleset.triggers)]
            parts += [self._ruleset.roles[merged.performer]] if len(performers) > 1 else []
            parts += [f"{merged.people} people"] if len(people) > 1 else []
            label = "; ".join(parts)
            seen[label] += 1
            labels.append(label if seen[label] == 1 else f"{label} ({seen[label]})")
        return tuple(labels)


class _Part:
    """One part of a task, as numbers: 0 where nobody has asked yet, and n for what ``tasks[n]`` says of it.

    No part depends on another, and each can be few things, while there are many thousands of combinations.
    """

    def __init__(
        self,
        definition: TaskDefinition,
        calls: Mapping[str, Sequence[TaskCall]],
        only: Callable[[MergedTask], MergedTask],
    ) -> None:
        self.tasks: list[MergedTask | None] = [None]
        self._definition = definition
        self._calls = calls
        self._only = only
        self._numbers: dict[MergedTask | None, int] = {None: 0}

    def after(self, numbers: pl.Series, chunk: Sequence[Rule]) -> pl.Series:
        """What each of ``numbers`` becomes, at n of its rows where bit m of n says that rule m of ``chunk`` fired."""
        outcomes = np.arange(len(self.tasks), dtype=np.uint32).reshape(-1, 1)
        for rule in chunk:
            leads_to = [self._merged(before, self._calls[rule.id]) for before in range(len(self.tasks))]
            outcomes = np.hstack([outcomes, np.array(leads_to, dtype=np.uint32)[outcomes]])
        return pl.Series(numbers.name, outcomes[numbers.to_numpy()].ravel())

    def counted(self) -> pl.Series:
        """For each of ``tasks`` the number of the first with the same performer and as many people."""
        first: dict[tuple[str, int] | None, int] = {}
        who = (None if task is None else (task.performer, task.people) for task in self.tasks)
        return pl.Series([first.setdefault(each, number) for number, each in enumerate(who)], dtype=pl.UInt32)

    def _merged(self, before: int, calls: Sequence[TaskCall]) -> int:
        task = self.tasks[before]
        if task is None and all(call.joins for call in calls):
            return before
        merged = self._only(merge(self._definition, calls, task))
        number = self._numbers.setdefault(merged, len(self.tasks))
        if number == len(self.tasks):
            self.tasks.append(merged)
        return number


def _rhythm(task: MergedTask) -> MergedTask:
    return MergedTask(task.timing.model_copy(update={"on": ()}), "", 0)


def _events(task: MergedTask) -> MergedTask:
    return MergedTask(Timing(on=task.timing.on), "", 0)


def _staff(task: MergedTask) -> MergedTask:
    return replace(task, timing=Timing())


_PARTS = {"rhythm": _rhythm, "events": _events, "staff": _staff}


def _places(rows: pl.DataFrame, distinct: pl.DataFrame) -> pl.Series:
    """Where each of ``rows`` stands in ``distinct``."""
    numbered = distinct.with_row_index("place")
    return rows.join(numbered, on=distinct.columns, how="left", maintain_order="left")["place"]
