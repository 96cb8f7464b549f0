"""What is published in FHIRPath in engines of others, patient by patient: facts out of Bundles, and the rules that fire."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import fhirpathpy
from fhirpathpy.models import models

from cds.fhir.publishing.artifacts import artefacts
from cds.fhir.publishing.expression_languages.published_codes import published_value
from cds.fhir.publishing.fhirpath.variables import MOMENT, variables_file
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.reader import read
from rules.evaluation.interpreter import fire
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset
from tests.published.engines.generated_records import AT
from tests.published.engines.node import answers

_WRITTEN_AT = AT.isoformat(timespec="milliseconds")
_R4 = models["r4"]

_ROUNDED = 1e-5
"""The expressions round to six digits after the point and more, the service does not."""

Said = dict[str, Any]


@dataclass(frozen=True)
class Expressions:
    """What is published in FHIRPath, as pairs of a name and an expression."""

    variables: list[tuple[str, str]]
    conditions: list[tuple[str, str]]


def published(ruleset: Ruleset, code_map: CodeMap) -> Expressions:
    """The variables of the file beside the PlanDefinition, and the conditions of its actions."""
    pairs = [line.split(": ", 1) for line in variables_file(ruleset, code_map).splitlines()]
    plan = artefacts(ruleset, code_map=code_map)["PlanDefinition", ruleset.name]
    conditions = [
        (action["extension"][0]["valueCode"], action["condition"][0]["expression"]["expression"])
        for action in plan["action"]
    ]
    return Expressions([(name, expression) for name, expression in pairs if name != MOMENT], conditions)


def by_service(bundle: object, ruleset: Ruleset, code_map: CodeMap) -> Said:
    """The facts that the service reads in ``bundle`` or concludes, and the rules that fire."""
    facts = {fact.name: fact.value for fact in read(bundle, ruleset, code_map, AT).facts}
    firing = fire(ruleset, facts)
    return said(
        ruleset,
        {name: published_value(value) for name, value in firing.facts.items()},
        [rule.id for rule in firing.fired],
    )


def said(ruleset: Ruleset, facts: Mapping[str, FactValue], rules: Iterable[str]) -> Said:
    """In one form whoever says it."""
    return {
        "rules": sorted(rules),
        "facts": {
            name: float(value) if ruleset.vocabulary[name].numeric else value for name, value in sorted(facts.items())
        },
    }


def by_javascript(
    ruleset: Ruleset, expressions: Expressions, bundles: Iterable[object], folder: Path
) -> Iterator[Said]:
    """What fhirpath.js says of each of ``bundles``; ``folder`` is for the file that it reads."""
    file = folder / "expressions.json"
    file.write_text(json.dumps([expressions.variables, expressions.conditions]))
    for one in answers("fhirpath.mjs", str(file), _WRITTEN_AT, asked=bundles):
        facts = {name: value for name, (value,) in one["facts"].items() if name in ruleset.vocabulary}
        yield said(ruleset, facts, one["rules"])


def by_python(ruleset: Ruleset, expressions: Expressions, bundles: Iterable[object]) -> Iterator[Said]:
    """What fhirpathpy says of each of ``bundles``."""
    for bundle in bundles:
        known: dict[str, Any] = {MOMENT: _WRITTEN_AT}
        for name, expression in expressions.variables:
            known[name] = _compiled(expression)(bundle, known)
        rules = [rule for rule, expression in expressions.conditions if _compiled(expression)(bundle, known) == [True]]
        facts = {name: value[0] for name, value in known.items() if name in ruleset.vocabulary and len(value) == 1}
        yield said(ruleset, facts, rules)


@cache
def _compiled(expression: str) -> Any:
    return fhirpathpy.compile(expression, _R4)


def apart(ours: Said, other: Said) -> Mapping[str, Any]:
    """What only the service says, and what only the engine says: nothing where they agree."""
    found: dict[str, Any] = {}
    if ours["rules"] != other["rules"]:
        mine, theirs = set(ours["rules"]), set(other["rules"])
        found["rules"] = sorted(mine - theirs), sorted(theirs - mine)
    for name in sorted({*ours["facts"], *other["facts"]}):
        values = ours["facts"].get(name), other["facts"].get(name)
        if not _same(*values):
            found[name] = values
    return found


def _same(ours: FactValue | None, other: FactValue | None) -> bool:
    if isinstance(ours, float) and isinstance(other, float):
        return math.isclose(ours, other, rel_tol=_ROUNDED, abs_tol=_ROUNDED)
    return ours == other
