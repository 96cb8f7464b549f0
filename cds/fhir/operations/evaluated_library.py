"""The answer of ``Library/$evaluate``: what the public definitions of the published Library come to, as the service decides it.

Each value is written as Using CQL with FHIR maps it (http://hl7.org/fhir/uv/cql/STU2/StructureDefinition-cql-evaluationresult.html):
a list repeats its parameter, a tuple has parts, null is a value that is absent, and an empty list says that it is one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cds.fhir.canonical_urls import code
from cds.fhir.datatypes import Element, Resource, extension, number
from cds.fhir.operations.parameters import MOST_PROBLEMS, Held
from cds.fhir.publishing.cql.outcomes import merged_task
from cds.fhir.publishing.expression_languages.published_codes import published_value
from cds.operation_outcome import Issue, RefusedCall
from rules.model.conditions import evaluate
from rules.model.decision import Decision, Task
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset

_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_EMPTY_LIST = "http://hl7.org/fhir/StructureDefinition/cqf-isEmptyList"
_FACT_TYPES = {"boolean": "Boolean", "code": "String", "number": "Decimal", "integer": "Decimal"}


@dataclass(frozen=True)
class _Null:
    """Null of a CQL type."""

    type: str


def evaluated_library(decision: Decision, ruleset: Ruleset, expressions: Sequence[Held] = ()) -> Resource:
    """The Parameters with each definition, or with those that ``expressions`` name, by what ``decision`` says.

    Raises RefusedCall with 422 where an expression is none that can be given. The definitions are those of ``ruleset``.
    """
    values = dict(_definitions(decision, ruleset))
    unknown = [held.where for held in expressions if held.value not in values]
    if unknown:
        text = (
            "no such definition is given; given are Size Class, Holds, Cautions, Tasks, Rules That Fire, "
            "each fact and each rule by its name, and each task as 'Task NAME'"
        )
        raise RefusedCall(422, [Issue(where, text, "not-supported") for where in unknown[:MOST_PROBLEMS]])
    asked = dict.fromkeys(held.value for held in expressions) or values
    return {
        "resourceType": "Parameters",
        "parameter": [element for name in asked for element in _parameters(name, values[name])],
    }


def _definitions(decision: Decision, ruleset: Ruleset) -> Iterator[tuple[str, Any]]:
    """The public definitions in the order of the Library."""
    known = _known(decision)
    for fact in ruleset.vocabulary.values():
        yield fact.name, _fact(fact, known)
    for rule in ruleset.rules.values():
        fires = rule.id in decision.fired or evaluate(rule.when, known)
        yield rule.id, _Null("Boolean") if fires is None else fires
    yield "Rules That Fire", list(decision.fired)
    yield (
        "Holds",
        [
            {
                "kind": code(hold.kind),
                "axis": _Null("String") if hold.axis is None else code(hold.axis),
                "text": hold.text,
            }
            for hold in decision.holds
        ],
    )
    yield "Size Class", _Null("String") if decision.size_class is None else decision.size_class.code
    yield (
        "Cautions",
        [
            {"severity": caution.severity, "summary": caution.summary, "text": caution.text}
            for caution in decision.cautions
        ],
    )
    asked = {task.task: _task(task) for task in decision.tasks}
    for task in _possible_tasks(ruleset):
        yield merged_task(task), asked.get(task, _Null("Boolean"))
    yield "Tasks", list(asked.values())


def _known(decision: Decision) -> Mapping[str, FactValue]:
    """Every fact by which it was decided: recorded, or concluded by a rule."""
    concluded = {name: value for entry in decision.trace for name, value in entry.concluded.items()}
    return concluded | {fact.name: fact.value for fact in decision.facts}


def _fact(fact: FactDefinition, known: Mapping[str, FactValue]) -> Any:
    value = known.get(fact.name)
    if value is None:
        return _Null(_FACT_TYPES[fact.type])
    return float(value) if fact.numeric else published_value(value)


def _possible_tasks(ruleset: Ruleset) -> Iterable[str]:
    """The tasks that a rule can ask for by itself."""
    asked = {call.task for rule in ruleset.rules.values() for call in rule.then.tasks if not call.joins}
    return (task for task in ruleset.tasks if task in asked)


def _task(task: Task) -> Mapping[str, Any]:
    timing = task.timing
    return {
        "task": code(task.task),
        "people": task.people,
        "performer": code(task.performer),
        "first_within_hours": _hours(timing.within_hours),
        "interval_hours": _hours(timing.interval_hours),
        "for_days": _hours(timing.for_days),
        "events": list(map(code, timing.on)),
    }


def _hours(value: float | None) -> float | _Null:
    return _Null("Decimal") if value is None else float(value)


# --- values as FHIR ------------------------------------------------------------------------------------------------------


def _parameters(name: str, value: Any) -> Iterator[Element]:
    if not isinstance(value, list):
        yield {"name": name, **_held(value)}
    elif value:
        yield from ({"name": name, **_held(each)} for each in value)
    else:
        yield {"name": name, "_valueBoolean": {"extension": [extension(_EMPTY_LIST, {"valueBoolean": True})]}}


def _held(value: Any) -> Element:
    match value:
        case dict():
            return {"part": [element for name, part in value.items() for element in _parameters(name, part)]}
        case _Null(kind):
            return {f"_value{kind}": {"extension": [extension(_ABSENT, {"valueCode": "unknown"})]}}
        case bool():
            return {"valueBoolean": value}
        case int():
            return {"valueInteger": value}
        case float():
            return {"valueDecimal": number(value)}
    return {"valueString": value}
