"""The decision models (DMN) in tools of others, and what the service says in their place."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.dmn.decision_model import DecisionModel
from cds.fhir.publishing.dmn.tables import SKIN, recorded
from cds.fhir.publishing.dmn.xml import dmn_file
from cds.fhir.publishing.expression_languages.published_codes import published_value
from rules.evaluation.hit_policy import choose
from rules.evaluation.interpreter import Firing, fire
from rules.evaluation.task_merging import merge
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset, TaskCall
from tests.published.engines.node import answers

Facts = dict[str, FactValue]


def by_tables(
    model: DecisionModel, ruleset: Ruleset, patients: Iterable[Facts], folder: Path
) -> Iterator[dict[str, Any]]:
    """What the tables of ``model`` give for each of ``patients``; its file is written to ``folder``."""
    file = folder / f"{model.name}.dmn"
    file.write_text(dmn_file(model, ruleset.vocabulary, Canonicals()))
    yield from by_file(file, ruleset, patients)


def by_file(file: Path, ruleset: Ruleset, patients: Iterable[Facts]) -> Iterator[dict[str, Any]]:
    """What the tables in ``file`` give for each of ``patients``."""
    named = (
        {recorded(ruleset.vocabulary[name]): published_value(v) for name, v in facts.items()} for facts in patients
    )
    for decided in answers("dmn.mjs", str(file), asked=named):
        yield decided | ({"holds": sorted(set(decided["holds"]))} if "holds" in decided else {})


def by_service(model: DecisionModel, ruleset: Ruleset, facts: Facts) -> dict[str, Any]:
    """What the service says for each decision of ``model`` that it says at all."""
    firing = fire(ruleset, facts)
    concluded = {
        decision.name: _published(firing.facts.get(decision.name))
        for decision in model.decisions
        if decision.name in ruleset.vocabulary
    }
    return (
        concluded
        | {
            "sizing": lambda: _size(ruleset, firing),
            "need": dict,
            "skin-inspection": lambda: {f"{SKIN}_interval": _interval(firing)},
            "people": lambda: dict(_people(ruleset, firing)),
        }[model.name]()
    )


def apart(said: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    """What ``said`` and ``other`` give differently, by decision; numbers are compared to a millionth."""
    return {name: (value, other[name]) for name, value in said.items() if not _same(value, other[name])}


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, int | float):
        return abs(one - other) < 1e-6
    return bool(one == other)


def _published(value: FactValue | None) -> FactValue | None:
    return None if value is None else published_value(value)


def _size(ruleset: Ruleset, firing: Firing) -> dict[str, Any]:
    sizing = choose(ruleset, firing.fired)
    places = {
        f"{name}_candidates": [ruleset.axes[name].rank(value) + 1 for value in choice.candidates]
        for name, choice in sizing.axes.items()
    }
    return {**places, "holds": sorted({hold.text for _, hold in sizing.holds})}


def _interval(firing: Firing) -> float | None:
    intervals = (call.timing.interval_hours for call in _calls(firing, SKIN))
    return min((interval for interval in intervals if interval is not None), default=None)


def _people(ruleset: Ruleset, firing: Firing) -> Iterator[tuple[str, int | None]]:
    ever_asked = {call.task for rule in ruleset.rules.values() for call in rule.then.tasks if not call.joins}
    for name, task in ruleset.tasks.items():
        calls = _calls(firing, name)
        if name in ever_asked:
            asked = any(not call.joins for call in calls)
            yield f"{name}_people", merge(task, calls).people if asked else None


def _calls(firing: Firing, task: str) -> list[TaskCall]:
    return [call for rule in firing.fired for call in rule.then.tasks if call.task == task]
