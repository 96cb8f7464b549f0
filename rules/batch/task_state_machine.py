"""One task merged over a table of patients: a small machine whose state is what was merged so far.

Each rule that asks for the task moves the machine from state to state. The states that can be reached are few, so a row of
the table needs one byte for the task and one look-up for every eight rules.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import polars as pl

from rules.errors import EngineError
from rules.evaluation.task_merging import MergedTask, merge
from rules.model.ruleset import Rule, Ruleset, TaskCall

RULES_AT_ONCE = 8
_MOST_STATES = 65_535


class TaskMachine:
    """The machine of one task. At its end 0 means that no rule asks for the task, and n stands for ``merged[n - 1]``.

    Rules that only join are heard after those that ask, so that they change nothing where nobody asks. At the end states that
    differ only in who does what, and not in how many people it takes, are one.
    """

    def __init__(self, ruleset: Ruleset, task: str) -> None:
        """Build the machine of ``task``. Raises EngineError where its rules can be merged in too many ways."""
        self._ruleset = ruleset
        self._definition = ruleset.tasks[task]
        self._states: dict[MergedTask | None, int] = {None: 0}
        self._numbered: list[MergedTask | None] = [None]
        self._steps: dict[tuple[int, str], int] = {}
        calling = [rule for rule in ruleset.rules.values() if self._calls(rule)]
        calling.sort(key=lambda rule: all(call.joins for call in self._calls(rule)))
        self.chunks = [calling[start : start + RULES_AT_ONCE] for start in range(0, len(calling), RULES_AT_ONCE)]
        self.tables = [self._table(chunk) for chunk in self.chunks]
        outcomes = [
            None if state is None else replace(state, fewest=state.people, hands=()) for state in self._numbered
        ]
        self.merged = tuple(dict.fromkeys(outcome for outcome in outcomes if outcome is not None))
        """What can come out."""
        if self.tables:
            places = {None: 0} | {outcome: place for place, outcome in enumerate(self.merged, start=1)}
            self.tables[-1] = pl.Series([places[outcomes[state]] for state in self.tables[-1]], dtype=pl.UInt32)

    def _calls(self, rule: Rule) -> list[TaskCall]:
        return [call for call in rule.then.tasks if call.task == self._definition.id]

    def labels(self) -> tuple[str, ...]:
        """Each of ``merged`` in words that tell it from all others."""
        people = {merged.people for merged in self.merged}
        performers = {merged.performer for merged in self.merged}
        seen: Counter[str] = Counter()
        labels = []
        for merged in self.merged:
            parts = [merged.timing.describe(dict(self._ruleset.triggers))]
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
            moves = {state: self._step(state, rule) for state in set(outcomes)}
            outcomes += [moves[state] for state in outcomes]
        return outcomes

    def _step(self, state: int, rule: Rule) -> int:
        """The state that ``rule`` leads to from ``state``; merged once, because the tables ask for it again and again."""
        if (state, rule.id) not in self._steps:
            before, calls = self._numbered[state], self._calls(rule)
            unasked = before is None and all(call.joins for call in calls)
            merged = None if unasked else merge(self._definition, calls, before)
            if merged not in self._states:
                self._states[merged] = len(self._numbered)
                self._numbered.append(merged)
            self._steps[state, rule.id] = self._states[merged]
        return self._steps[state, rule.id]
