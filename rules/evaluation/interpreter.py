"""What fires for a patient, worked out in plain Python, layer by layer: the reference that every backend must equal.

A layer's conclusions become facts for the next one. A recorded fact always stands above a concluded one; of several
conclusions for one fact the highest priority wins, and at the same priority the rule that stands first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from rules.model import expressions
from rules.model.facts import FactValue
from rules.model.ruleset import Conclusion, Rule, Ruleset, by_priority

Matcher = Callable[[int, Mapping[str, FactValue]], Iterable[Rule]]


@dataclass(frozen=True)
class ImplausibleConclusion:
    """A conclusion that was not drawn because its value would be implausible."""

    fact: str
    value: FactValue
    rule: str
    reason: str


@dataclass(frozen=True)
class Firing:
    """The outcome of one evaluation: rules that fired in order, all facts at the end, and where concluded ones came from."""

    fired: tuple[Rule, ...]
    facts: Mapping[str, FactValue]
    concluded_by: Mapping[str, str]
    refused: tuple[ImplausibleConclusion, ...]


@dataclass(frozen=True)
class Plain:
    """Plain Python in the place of an engine."""

    ruleset: Ruleset

    def fire(self, facts: Mapping[str, FactValue]) -> Firing:
        """What fires for ``facts`` (checked values, unknown ones absent)."""
        return fire(self.ruleset, facts)


def fire(ruleset: Ruleset, facts: Mapping[str, FactValue]) -> Firing:
    """Evaluate ``ruleset`` on ``facts`` (checked values, unknown ones absent) in plain Python."""

    def match(layer: int, known: Mapping[str, FactValue]) -> list[Rule]:
        return [rule for rule in ruleset.strata[layer] if rule.fires(known)]

    return fire_with(ruleset, facts, match)


def fire_with(ruleset: Ruleset, facts: Mapping[str, FactValue], match: Matcher) -> Firing:
    """Evaluate ``ruleset`` layer by layer, where ``match(layer, facts)`` says which of a layer's rules are true.

    Layers are counted from 0. ``facts`` holds what is recorded, each in the unit of its fact; a fact that is missing is
    unknown.
    """
    known = dict(facts)
    fired: list[Rule] = []
    concluded_by: dict[str, str] = {}
    refused: list[ImplausibleConclusion] = []
    for layer in range(len(ruleset.strata)):
        matched = list(match(layer, known))
        fired.extend(matched)
        for rule in by_priority(matched):
            for conclusion in rule.then.conclusions:
                if conclusion.fact in known:
                    continue
                value = conclusion_value(conclusion, known)
                if value is None:
                    continue
                reason = ruleset.vocabulary[conclusion.fact].problem(value)
                if reason is not None:
                    refused.append(ImplausibleConclusion(conclusion.fact, value, rule.id, reason))
                    continue
                known[conclusion.fact] = value
                concluded_by[conclusion.fact] = rule.id
    return Firing(tuple(fired), known, concluded_by, tuple(refused))


def conclusion_value(conclusion: Conclusion, known: Mapping[str, FactValue]) -> FactValue | None:
    """The value that ``conclusion`` gives where ``known`` is known, or None where an input is missing or it divides by zero."""
    if conclusion.expression is None:
        return conclusion.value

    def number(name: str) -> float | None:
        value = known.get(name)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    return expressions.evaluate(conclusion.expression, number)
