"""Why for one patient: what each rule rests on down to the observation, why a rule stayed silent, and what would change the size.

The nearest change is the smallest change of one recorded fact that alters the size: numbers are measured by the width of
their plausible range, and any other answer to a yes/no or coded fact counts as 1, the whole range.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from rules.evaluation.hit_policy import size_class
from rules.evaluation.information_gain import Sizer, cuts, representatives
from rules.evaluation.interpreter import Firing, fire
from rules.model.conditions import (
    AllOf,
    AnyOf,
    Condition,
    NoneOf,
    describe,
    evaluate,
)
from rules.model.facts import FactDefinition, FactValue, RecordedFact
from rules.model.rule_text import describe_value
from rules.model.ruleset import Rule, Ruleset

_STEPS = 41
"""Points tried along a number that rules compute with, before the border between two sizes is narrowed down."""
_FINEST = 1e-6
"""Share of a fact's plausible range to which the border between two sizes is narrowed down."""
_ROUNDED = 1e-3
"""Share of a fact's plausible range by which a border may be moved to a rounder number."""


@dataclass(frozen=True)
class Observation:
    """Where a value came from: the record that it was read from, or the rule that worked it out (None: not known).

    A ``record`` names the resource, when it was recorded, and the value as it was written there, as far as these are known.
    """

    fact: str
    value: FactValue | None
    record: RecordedFact | None
    worked_out_by: str | None


@dataclass(frozen=True)
class ReasonNode:
    """One part of a condition: its words, its truth (None is unknown), the observation of a comparison, and the parts below."""

    text: str
    truth: bool | None
    observation: Observation | None
    below: tuple[ReasonNode, ...]


@dataclass(frozen=True)
class Explanation:
    """One rule for one patient. ``in_the_way`` are the comparisons that kept a silent rule silent, in words."""

    rule: Rule
    fires: bool
    reason: ReasonNode
    in_the_way: tuple[str, ...]


@dataclass(frozen=True)
class Change:
    """A change of one recorded fact that alters the size. ``distance`` is a share of the plausible range, 0 to 1."""

    fact: str
    now: FactValue
    to: FactValue
    distance: float
    outcome: str


@dataclass(frozen=True)
class Span:
    """From ``low`` to ``high`` of one number, all else equal, the outcome is the same."""

    low: float
    high: float
    outcome: str


class Explainer:
    """Explains what a ruleset says of one patient."""

    def __init__(self, ruleset: Ruleset, facts: Mapping[str, object] | Sequence[RecordedFact]) -> None:
        """Evaluate ``facts`` (plain values by name, or recorded facts). Raises FactError where one cannot be used."""
        self.ruleset = ruleset
        if isinstance(facts, Mapping):
            given, self.records = facts, {}
        else:
            given = {fact.name: fact.value for fact in facts}
            self.records = {fact.name: fact for fact in facts}
        self.facts: Mapping[str, FactValue] = ruleset.vocabulary.check(given)
        self.firing: Firing = fire(ruleset, self.facts)
        self._fired = frozenset(rule.id for rule in self.firing.fired)
        self._sizer = Sizer(ruleset)

    # --- why ---------------------------------------------------------------------------------------------------------

    def fired(self) -> tuple[Explanation, ...]:
        """Every rule that fired, in the order of evaluation."""
        return tuple(self.why(rule.id) for rule in self.firing.fired)

    def why(self, rule: str) -> Explanation:
        """Why the rule called ``rule`` fired, or why not. Raises KeyError where there is no such rule."""
        found = self.ruleset.rules[rule]
        fires = rule in self._fired
        blockers = () if fires else tuple(dict.fromkeys(self._in_the_way(found.positive)))
        return Explanation(found, fires, self._reason(found.when), blockers)

    def _reason(self, condition: Condition) -> ReasonNode:
        truth = evaluate(condition, self.firing.facts)
        match condition:
            case AllOf(()):
                return ReasonNode("always", truth, None, ())
            case AllOf(children) | AnyOf(children) | NoneOf(children):
                words = {AllOf: "all of", AnyOf: "any of", NoneOf: "none of"}[type(condition)]
                return ReasonNode(words, truth, None, tuple(self._reason(child) for child in children))
            case _:
                return ReasonNode(describe(condition), truth, self.observation(condition.fact), ())

    def observation(self, fact: str) -> Observation:
        """Where the value of ``fact`` comes from."""
        return Observation(
            fact, self.firing.facts.get(fact), self.records.get(fact), self.firing.concluded_by.get(fact)
        )

    def _in_the_way(self, condition: Condition) -> list[str]:
        """The comparisons that would have to be otherwise, each with what is known instead."""
        if evaluate(condition, self.firing.facts) is True:
            return []
        if isinstance(condition, (AllOf, AnyOf, NoneOf)):
            return [text for child in condition.children for text in self._in_the_way(child)]
        value = self.firing.facts.get(condition.fact)
        return [f"{describe(condition)}: it is {describe_value(value)}"]

    # --- what would change the size ------------------------------------------------------------------------------------

    def outcome(self, facts: Mapping[str, FactValue] | None = None) -> str:
        """The size for ``facts`` (default: the patient's), or ``no size``."""
        sizing = self._sizer.size(self.facts if facts is None else facts)
        if sizing.outcome is None:
            return "no size"
        return size_class(self.ruleset, dict(zip(sizing.axes, sizing.outcome, strict=True))).code

    def nearest(self) -> tuple[Change, ...]:
        """For each recorded fact the smallest change that alters the size, nearest first; facts that cannot are left out."""
        found: list[Change] = []
        for name in self.ruleset.vocabulary:
            if name in self.facts and name in self._sizer.ruleset.facts_read:
                definition = self.ruleset.vocabulary[name]
                found += self._numeric_change(definition) if definition.numeric else self._other_answers(definition)
        return tuple(sorted(found, key=lambda change: change.distance))

    def _other_answers(self, fact: FactDefinition) -> list[Change]:
        now = self.outcome()
        answers: Sequence[FactValue] = (False, True) if fact.type == "boolean" else fact.values
        changed = [(value, self.outcome({**self.facts, fact.name: value})) for value in answers]
        return [Change(fact.name, self.facts[fact.name], value, 1.0, then) for value, then in changed if then != now]

    def _numeric_change(self, fact: FactDefinition) -> list[Change]:
        here = float(self.facts[fact.name])
        low, high = fact.range or (here, here)
        nearest: list[Change] = []
        for before, after in pairwise(self.along(fact.name)):
            for side, to in ((after, after.low), (before, before.high)):
                if side.low <= here <= side.high:
                    continue
                number: FactValue = int(to) if fact.type == "integer" else to
                change = Change(
                    fact.name, self.facts[fact.name], number, abs(to - here) / ((high - low) or 1), side.outcome
                )
                if side.outcome != self.outcome():
                    nearest.append(change)
        return sorted(nearest, key=lambda change: change.distance)[:1]

    def along(self, name: str) -> tuple[Span, ...]:
        """The outcomes along the whole plausible range of the number ``name``, all else equal.

        A border is given to a thousandth of the range, and rounded; a stretch into which no point tried falls is not seen.
        """
        fact = self.ruleset.vocabulary[name]
        points = sorted({float(value) for value in representatives(fact, self._cuts(name), _STEPS)})
        if name in self.facts:
            points = sorted({*points, float(self.facts[name])})
        outcomes = [self._with(fact, point) for point in points]
        spans = [Span(points[0], points[0], outcomes[0])]
        for (left, before), (right, after) in pairwise(zip(points, outcomes, strict=True)):
            if before == after:
                spans[-1] = Span(spans[-1].low, right, before)
                continue
            end, start = self._border(fact, left, right)
            spans[-1] = Span(spans[-1].low, end, before)
            spans.append(Span(start, right, after))
        return tuple(spans)

    def _cuts(self, name: str) -> frozenset[float]:
        """Numbers near which the outcome may change: thresholds on the fact itself."""
        return frozenset(cuts(self._sizer.ruleset).get(name, ()))

    def _with(self, fact: FactDefinition, value: float) -> str:
        return self.outcome({**self.facts, fact.name: int(value) if fact.type == "integer" else value})

    def _border(self, fact: FactDefinition, left: float, right: float) -> tuple[float, float]:
        """The last point of what holds at ``left`` and the first of what holds at ``right``, as round as can be."""
        before = self._with(fact, left)
        low, high = fact.range or (left, right)
        finest = fact.counted_in or (high - low) * _FINEST
        while right - left > finest:
            middle = fact.on_step((left + right) / 2, math.floor)
            if self._with(fact, middle) == before:
                left = middle
            else:
                right = middle
        near = (high - low) * _ROUNDED
        return self._rounded(fact, left, near, math.floor), self._rounded(fact, right, near, math.ceil)

    def _rounded(self, fact: FactDefinition, point: float, near: float, inwards: Callable[[float], int]) -> float:
        """The number with the fewest digits that is near ``point`` and has the same outcome."""
        outcome = self._with(fact, point)
        for digits in range(7):
            for rounded in (round(point, digits), inwards(point * 10**digits) / 10**digits):
                if abs(rounded - point) <= near and self._with(fact, rounded) == outcome:
                    return rounded
        return point
