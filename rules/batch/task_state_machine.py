"""One task merged over a table of patients: a small machine whose state is what was merged so far.

Each rule that asks for the task moves the machine from state to state. The states that can be reached are few, so a row of
the table needs one byte for the task and one look-up for every seven rules.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from typing import NamedTuple, TypeVar

import polars as pl

from rules.errors import EngineError
from rules.evaluation.task_merging import MergedTask, merge
from rules.model.ruleset import Rule, Ruleset, TaskCall, TaskDefinition
from rules.model.timing import Timing

RULES_AT_ONCE = 7
_MOST_STATES = 131_071

_Part = TypeVar("_Part")


class TaskMachine:
    """The machine of one task. At its end 0 means that no rule asks for the task, and n stands for ``merged[n - 1]``.

    Rules that only join are heard after those that ask, so that they change nothing where nobody asks. At the end states that
    differ only in who does what, and not in how many people it takes, are one.
    """

    def __init__(self, ruleset: Ruleset, task: str) -> None:
        """Build the machine of ``task``. Raises EngineError where its rules can be merged in too many ways."""
        self._ruleset = ruleset
        self._definition = ruleset.tasks[task]
        self._merger = _Merger(self._definition)
        self._states: dict[_State | None, int] = {None: 0}
        self._numbered: list[_State | None] = [None]
        self._steps: dict[str, dict[int, int]] = defaultdict(dict)
        self._calls = {
            rule.id: [call for call in rule.then.tasks if call.task == task] for rule in ruleset.rules.values()
        }
        calling = [rule for rule in ruleset.rules.values() if self._calls[rule.id]]
        calling.sort(key=lambda rule: all(call.joins for call in self._calls[rule.id]))
        self.chunks = [calling[start : start + RULES_AT_ONCE] for start in range(0, len(calling), RULES_AT_ONCE)]
        self.tables = [self._table(chunk) for chunk in self.chunks]
        outcomes = [self._merger.outcome(state) for state in self._numbered]
        different = list(dict.fromkeys(outcome for outcome in outcomes if outcome is not None))
        self.merged = tuple(map(self._merger.task, different))
        """What can come out."""
        if self.tables:
            places = {None: 0} | {outcome: place for place, outcome in enumerate(different, start=1)}
            last = [places[outcome] for outcome in outcomes]
            self.tables[-1] = pl.Series(last, dtype=pl.UInt32).gather(self.tables[-1])

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

    def _table(self, chunk: Sequence[Rule]) -> pl.Series:
        """The next state at ``state * 2 ** len(chunk) + fired``, where bit n of ``fired`` says whether rule n fired."""
        rows = [state for start in range(len(self._numbered)) for state in self._outcomes(start, chunk)]
        if len(self._states) > _MOST_STATES:
            raise EngineError(
                f"the task {self._definition.id} can be merged in more than {_MOST_STATES} ways; give its rules fewer timings"
            )
        return pl.Series(rows, dtype=pl.UInt32)

    def _outcomes(self, start: int, chunk: Sequence[Rule]) -> list[int]:
        outcomes = [start]
        for rule in chunk:
            steps = self._steps[rule.id]
            for state in set(outcomes):
                if state not in steps:
                    steps[state] = self._step(state, rule)
            outcomes += [steps[state] for state in outcomes]
        return outcomes

    def _step(self, state: int, rule: Rule) -> int:
        """The state that ``rule`` leads to from ``state``."""
        merged = self._merger.merge(self._numbered[state], rule.id, self._calls[rule.id])
        number = self._states.setdefault(merged, len(self._numbered))
        if number == len(self._numbered):
            self._numbered.append(merged)
        return number


class _State(NamedTuple):
    """What was merged so far, as places in the lists of ``_Merger``."""

    rhythm: int
    events: int
    staff: int


class _Outcome(NamedTuple):
    """What of a state can be told apart at the end: when, who does it, and how many people it takes."""

    rhythm: int
    events: int
    performer: str
    people: int


class _Merger:
    """Merges calls for one task part by part: the rhythm, the events that it is due at, and who does it.

    None of these depends on another, and of each there are few, while there are many thousands of combinations.
    """

    def __init__(self, definition: TaskDefinition) -> None:
        self._definition = definition
        self._rhythms: list[Timing] = []
        self._events: list[tuple[str, ...]] = []
        self._staff: list[tuple[str, int, tuple[tuple[str, int], ...]]] = []
        self._steps: dict[str, tuple[dict[int, int], ...]] = defaultdict(lambda: ({}, {}, {}))
        self._people: dict[int, tuple[str, int]] = {}

    def merge(self, before: _State | None, rule: str, calls: Sequence[TaskCall]) -> _State | None:
        """What ``calls`` of ``rule`` make of ``before``; None where nobody has asked for the task."""
        if before is None:
            return None if all(call.joins for call in calls) else self._state(merge(self._definition, calls))
        rhythms, events, staff = known = self._steps[rule]
        if before.rhythm in rhythms and before.events in events and before.staff in staff:
            return _State(rhythms[before.rhythm], events[before.events], staff[before.staff])
        after = self._state(merge(self._definition, calls, self._task(before)))
        for part, leads_to, steps in zip(before, after, known, strict=True):
            steps[part] = leads_to
        return after

    def outcome(self, state: _State | None) -> _Outcome | None:
        """``state`` without who has which hand on it."""
        if state is None:
            return None
        if state.staff not in self._people:
            by = self._task(state)
            self._people[state.staff] = by.performer, by.people
        return _Outcome(state.rhythm, state.events, *self._people[state.staff])

    def task(self, outcome: _Outcome) -> MergedTask:
        """The task that is done."""
        return MergedTask(self._timing(outcome), outcome.performer, outcome.people)

    def _state(self, merged: MergedTask) -> _State:
        timing = merged.timing
        return _State(
            _place(timing.model_copy(update={"on": ()}), self._rhythms),
            _place(timing.on, self._events),
            _place((merged.performer, merged.fewest, merged.hands), self._staff),
        )

    def _task(self, state: _State) -> MergedTask:
        return MergedTask(self._timing(state), *self._staff[state.staff])

    def _timing(self, state: _State | _Outcome) -> Timing:
        return self._rhythms[state.rhythm].model_copy(update={"on": self._events[state.events]})


def _place(part: _Part, parts: list[_Part]) -> int:
    """Where ``part`` stands among the few ``parts`` that there are; at their end from now on, if it is new."""
    if part not in parts:
        parts.append(part)
    return parts.index(part)
