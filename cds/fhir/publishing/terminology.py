"""Our code systems and value sets, drawn from the rule set: every code that a draft of ours can carry is published."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping

from cds.fhir import codes
from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, Resource, present, text
from cds.fhir.publishing.metadata import heading
from cds.fhir.reading.code_map import FACT_VALUES, FACTS
from cds.fhir.writing.device_request import SIZE_AXES, SIZE_AXIS_VALUES, axis_value_code
from cds.fhir.writing.fhir_timing import CARE_EVENTS
from cds.fhir.writing.request_common import PERFORMER_ROLES, TASKS
from cds.fhir.writing.service_request import ORDER_TITLES, ORDERS, SIZE_CLASSES
from rules.evaluation.hit_policy import size_class
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

READ_ORDERS = {
    "neck-immobilisation": "Immobilisation of the neck",
    "extrication-collar": "Extrication collar",
    "long-term-collar": "Collar for long wear",
}
"""Orders that an EHR may place with our code, and that the shipped code map reads."""

ANSWERS = {"true": "Yes", "yes": "Yes", "present": "Present", "false": "No", "no": "No", "absent": "Absent"}
"""Answers that may stand for a yes/no fact where a record cannot hold a boolean."""


def code_systems(ruleset: Ruleset, urls: Canonicals) -> Iterable[Resource]:
    """Every code system under our base in ``urls``, drawn from ``ruleset``."""
    yield _facts(ruleset, urls)
    plain: list[tuple[str, str, str, Iterable[Element]]] = [
        (FACT_VALUES, "Values of coded facts", "Codes that a coded fact may have.", _fact_values(ruleset)),
        (SIZE_AXES, "Axes of the size class", "The dimensions that make up a size class.", _axes(ruleset)),
        (SIZE_AXIS_VALUES, "Values on the axes", "The values on each axis, smallest first.", _axis_values(ruleset)),
        (SIZE_CLASSES, "Size classes", "Every combination of values, as it is written.", _size_classes(ruleset)),
        (TASKS, "Pieces of care", "Tasks that rules may ask for.", _tasks(ruleset)),
        (ORDERS, "Orders", "Orders that are not tasks of the rule set.", _words(ORDER_TITLES | READ_ORDERS)),
        (PERFORMER_ROLES, "Roles", "Who carries a task out.", _words(ruleset.roles)),
        (
            codes.OVERRIDE_REASON_SYSTEM,
            "Override reasons",
            "Why a clinician goes against a card.",
            _words(codes.OVERRIDE_REASONS),
        ),
        (codes.TOPIC_SYSTEM, "Topics of cards", "What a card may be about.", _words(codes.TOPICS)),
        (CARE_EVENTS, "Events", "Events at which a task is due.", _words(ruleset.triggers)),
    ]
    for name, title, description, concepts in plain:
        yield code_system(name, title, description, concepts, ruleset, urls)


def value_sets(ruleset: Ruleset, urls: Canonicals) -> Iterable[Resource]:
    """The events at which a task may be due, and one value set for each coded fact of ``ruleset``: its answers.

    ``urls`` has the canonical URLs.
    """
    yield present(
        **heading("ValueSet", CARE_EVENTS, "Events", "Events at which a task is due.", ruleset, urls),
        compose={"include": [{"system": urls.code_system(CARE_EVENTS)}]},
    )
    for fact in _coded(ruleset):
        include = {"system": urls.code_system(FACT_VALUES), "concept": [_value(value) for value in fact.values]}
        yield present(
            **heading("ValueSet", fact.code, f"Answers: {fact.label}", fact.meaning, ruleset, urls),
            compose={"include": [include]},
        )


def code_system(
    name: str,
    title: str,
    description: str,
    concepts: Iterable[Element],
    ruleset: Ruleset,
    urls: Canonicals,
    **more: object,
) -> Resource:
    """A complete code system of ``concepts`` with ``name``, ``title`` and ``description``.

    ``ruleset`` gives the version, ``urls`` the canonical URL; ``more`` are elements that stand before the concepts.
    """
    listed = list(concepts)
    return present(
        **heading("CodeSystem", name, title, description, ruleset, urls),
        caseSensitive=True,
        content="complete",
        count=len(listed),
        **more,
        concept=listed,
    )


def _facts(ruleset: Ruleset, urls: Canonicals) -> Resource:
    by_code: dict[str, list[FactDefinition]] = {}
    for fact in ruleset.vocabulary.values():
        by_code.setdefault(fact.code, []).append(fact)
    properties = [
        {"code": "fact", "description": "name of the fact in the rule set", "type": "string"},
        {"code": "unit", "description": "UCUM unit of the fact", "type": "string"},
        {"code": "accepted", "description": "what a value must be", "type": "string"},
    ]
    concepts = [_fact(own, facts) for own, facts in by_code.items()]
    words = "What is observed of a patient, or concluded by rules. Facts in several units share one code."
    return code_system(FACTS, "Facts", words, concepts, ruleset, urls, property=properties)


def _fact(own: str, facts: list[FactDefinition]) -> Element:
    properties = [
        {"code": name, "valueString": text(value)}
        for fact in facts
        for name, value in (("fact", fact.name), ("unit", fact.unit), ("accepted", fact.accepted))
        if value is not None
    ]
    meaning = " ".join(dict.fromkeys(fact.meaning for fact in facts))
    return {"code": own, "display": text(facts[0].label), "definition": text(meaning), "property": properties}


def _coded(ruleset: Ruleset) -> list[FactDefinition]:
    return [fact for fact in ruleset.vocabulary.values() if fact.type == "code"]


def _fact_values(ruleset: Ruleset) -> Iterable[Element]:
    values = dict.fromkeys(value for fact in _coded(ruleset) for value in fact.values)
    return [*(_value(value) for value in values), *_words(ANSWERS)]


def _value(value: str) -> Element:
    return {"code": code(value), "display": text(value.replace("_", " "))}


def _axes(ruleset: Ruleset) -> Iterable[Element]:
    return ({"code": code(name), "display": text(axis.title)} for name, axis in ruleset.axes.items())


def _axis_values(ruleset: Ruleset) -> Iterable[Element]:
    for name, axis in ruleset.axes.items():
        for value in axis.values:
            yield {"code": axis_value_code(name, value), "display": text(axis.words[value])}


def _size_classes(ruleset: Ruleset) -> Iterable[Element]:
    for values in itertools.product(*(axis.values for axis in ruleset.axes.values())):
        size = size_class(ruleset, dict(zip(ruleset.axes, values, strict=True)))
        yield {"code": size.code, "display": text(size.words)}


def _tasks(ruleset: Ruleset) -> Iterable[Element]:
    for name, task in ruleset.tasks.items():
        yield {"code": code(name), "display": text(task.title), "definition": text(task.instruction)}


def _words(words: Mapping[str, str]) -> Iterable[Element]:
    return ({"code": code(name), "display": text(meaning)} for name, meaning in words.items())
