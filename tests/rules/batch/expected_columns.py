"""What a table of decisions must hold, written down from the plain evaluation of each patient."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import polars as pl

from rules.batch.polars_backend import Columns, caution_column, hold_column
from rules.evaluation.hit_policy import candidates, choose
from rules.evaluation.interpreter import Firing, fire
from rules.model.facts import FactValue
from rules.model.ruleset import BASES, Rule, Ruleset, TaskCall
from rules.model.timing import Timing, strictest


class Plain:
    """Plain evaluation as the evaluator of a ``Decider``."""

    def __init__(self, ruleset: Ruleset) -> None:
        self._ruleset = ruleset

    def fire(self, facts: Mapping[str, FactValue]) -> Firing:
        return fire(self._ruleset, facts)


def expected_table(ruleset: Ruleset, firings: Sequence[Firing], columns: Columns) -> dict[str, list[object]]:
    """Every column of ``columns.decide`` by name, one value for each of ``firings``; tasks as their number in words."""
    expected: dict[str, list[object]] = {
        name: [False if _is_truth(name) else None] * len(firings) for name in columns.outputs
    }
    places = _places(columns)
    for row, firing in enumerate(firings):
        for name, value in _row(ruleset, firing, columns, places).items():
            expected[name][row] = value
    return expected


def differing(actual: pl.DataFrame, expected: Mapping[str, Sequence[object]]) -> list[str]:
    """Where the two differ: the column, the first row, and both values."""
    found = []
    for name, values in expected.items():
        shown = (
            actual[name].to_physical() if actual[name].dtype == pl.Enum and name.startswith("task:") else actual[name]
        )
        for row, (a, b) in enumerate(zip(shown.to_list(), values, strict=True)):
            if a != b:
                found.append(f"{name}, row {row}: columns say {a!r}, plain evaluation says {b!r}")
                break
    return found


def _is_truth(name: str) -> bool:
    return name == "withheld" or name.split(":")[0] in ("rule", "hold", "caution", "refused")


Merged = tuple[Timing, str, int]
"""When, by whom and by how many: what a table says of a task that several rules ask for."""


def _places(columns: Columns) -> dict[str, dict[Merged, int]]:
    """The number of each outcome of each task. A look-up for each cell: the skin alone can be asked for in thousands of ways."""
    found = {}
    for task, outcomes in columns.merged_tasks.items():
        found[task] = {(m.timing, m.performer, m.people): number for number, m in enumerate(outcomes)}
        assert len(found[task]) == len(outcomes), f"two outcomes of {task} say the same"
    return found


def _row(
    ruleset: Ruleset, firing: Firing, columns: Columns, places: Mapping[str, Mapping[Merged, int]]
) -> dict[str, object]:
    """The values of one row; a truth that is not named is false, any other value is null."""
    row: dict[str, object] = {f"rule:{rule.id}": True for rule in firing.fired}
    for rule in firing.fired:
        row.update((hold_column(hold), True) for hold in rule.then.holds)
        row.update((caution_column(caution), True) for caution in rule.then.cautions)
    row.update((f"refused:{refused.fact}:{refused.rule}", True) for refused in firing.refused)
    row.update(
        (f"fact:{name}", firing.facts[name])
        for name in ruleset.vocabulary
        if f"fact:{name}" in columns.outputs and name in firing.facts
    )
    row.update(_size(ruleset, firing))
    row.update(_tasks(ruleset, firing.fired, places))
    return row


def _size(ruleset: Ruleset, firing: Firing) -> dict[str, object]:
    sizing = choose(ruleset, firing.fired)
    row: dict[str, object] = {"withheld": sizing.withheld}
    options = candidates(ruleset, sizing)
    if options:
        row["size"] = options[0].size_class.code
        row["confidence"] = max((choice.basis or "" for choice in sizing.axes.values()), key=list(BASES).index)
    for name, choice in sizing.axes.items():
        if choice.candidates and not any(hold.axis in (None, name) for _, hold in sizing.holds):
            row[f"axis:{name}"] = choice.candidates[0]
            row[f"candidates:{name}"] = " ".join(choice.candidates)
            row[f"basis:{name}"] = choice.basis
    return row


def _tasks(ruleset: Ruleset, fired: Sequence[Rule], places: Mapping[str, Mapping[Merged, int]]) -> dict[str, object]:
    called: dict[str, list[TaskCall]] = defaultdict(list)
    for rule in fired:
        for call in rule.then.tasks:
            called[call.task].append(call)
    row: dict[str, object] = {}
    for task, calls in called.items():
        if all(call.joins for call in calls):
            continue
        definition = ruleset.tasks[task]
        together = {hand: max(one.hands.get(hand, 0) for one in (definition, *calls)) for hand in ruleset.hands}
        performers = [call.performer for call in calls if call.performer]
        wanted = (
            strictest(call.timing for call in calls),
            performers[-1] if performers else definition.performer,
            max([definition.people, sum(together.values()), *(call.people or 0 for call in calls)]),
        )
        row[f"task:{task}"] = places[task][wanted]
    return row
