"""What the rules can tell apart of each fact: groups of answers, such as ``48 to below 57`` or ``not known``.

Two answers stand in one group where every comparison that reads the fact, directly or through a computed fact, comes out the
same for both.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rules.model import expressions
from rules.model.conditions import Leaf, comparisons, evaluate, leaves
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Rule, Ruleset


@dataclass(frozen=True)
class Answers:
    """A group of answers to one question. ``spans`` are closed ranges of a number, ``values`` codes or truths."""

    spans: tuple[tuple[float, float], ...] = ()
    values: tuple[FactValue, ...] = ()
    unknown: bool = False

    def __contains__(self, value: FactValue | None) -> bool:
        """Whether ``value`` (None: not known) belongs to the group."""
        if value is None:
            return self.unknown
        return value in self.values or any(
            low <= value <= high for low, high in self.spans if not isinstance(value, str)
        )

    @property
    def example(self) -> FactValue | None:
        """One answer of the group; None (not known) only where there is no other."""
        if self.spans:
            low, high = self.spans[0]
            return low if low == high else (low + high) / 2
        return self.values[0] if self.values else None

    def __or__(self, other: Answers) -> Answers:
        """Both groups as one, ranges that touch joined."""
        spans: list[tuple[float, float]] = []
        for low, high in sorted((*self.spans, *other.spans)):
            if spans and low <= math.nextafter(spans[-1][1], math.inf):
                spans[-1] = (spans[-1][0], max(spans[-1][1], high))
            else:
                spans.append((low, high))
        return Answers(tuple(spans), (*self.values, *other.values), self.unknown or other.unknown)


def primary_facts(rules: Iterable[Rule], ruleset: Ruleset) -> tuple[str, ...]:
    """The facts to ask for so that ``rules`` can be applied, in vocabulary order.

    A fact that may be given or worked out is asked for itself, and what it would be worked out from is not. A fact that
    can only be concluded is asked for where none of ``rules`` concludes it. ``ruleset`` says how each fact may be
    given. Returns their names.
    """
    rules = list(rules)
    asked: set[str] = set()
    worked_out = {fact for rule in rules for fact in rule.writes}
    for rule in rules:
        if (
            any(ruleset.vocabulary[fact].given == "concluded" for fact in rule.writes)
            or not rule.writes
            or rule.then.sizes
        ):
            asked |= {fact for fact in rule.reads if ruleset.vocabulary[fact].open or fact not in worked_out}
    return tuple(name for name in ruleset.vocabulary if name in asked)


def groups(fact: str, rules: Iterable[Rule], ruleset: Ruleset) -> tuple[Answers, ...]:
    """The groups of answers to ``fact`` that ``rules`` tell apart, smallest first; not known stands last or in its group.

    ``ruleset`` defines the fact.
    """
    tests = _tests(fact, list(rules), ruleset)
    found: dict[tuple[bool, ...], Answers] = {}
    for atom in _atoms(ruleset.vocabulary[fact], tests):
        known = {} if atom.unknown else {fact: atom.example}
        seen = tuple(test.holds(known) for test in tests)
        found[seen] = found[seen] | atom if seen in found else atom
    return tuple(found.values())


@dataclass(frozen=True)
class _Test:
    """A comparison on a fact, or on a number computed from it."""

    leaf: Leaf
    expression: expressions.Expression | None = None

    def holds(self, known: Mapping[str, FactValue | None]) -> bool:
        facts = {name: value for name, value in known.items() if value is not None}
        if self.expression is None:
            return evaluate(self.leaf, facts) is True
        number = expressions.evaluate(self.expression, lambda name: _number(facts.get(name)))
        return evaluate(self.leaf, {} if number is None else {self.leaf.fact: number}) is True


def _number(value: FactValue | None) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None


def _tests(fact: str, rules: list[Rule], ruleset: Ruleset) -> list[_Test]:
    found = [leaf for rule in rules for leaf in leaves(rule.positive)]
    tests = [_Test(leaf) for leaf in found if leaf.fact == fact]
    for conclusion in (conclusion for rule in rules for conclusion in rule.then.conclusions):
        computed = conclusion.expression is not None and expressions.names(conclusion.expression) == {fact}
        if computed and ruleset.vocabulary[conclusion.fact].given == "concluded":
            tests += [_Test(leaf, conclusion.expression) for leaf in found if leaf.fact == conclusion.fact]
    return list(dict.fromkeys(tests))


def _atoms(fact: FactDefinition, tests: list[_Test]) -> list[Answers]:
    """Answers cut so finely that within each no test changes; not known at the end."""
    unknown = Answers(unknown=True)
    if fact.type == "boolean":
        return [Answers(values=(True,)), Answers(values=(False,)), unknown]
    if fact.type == "code":
        return [*(Answers(values=(value,)) for value in fact.values), unknown]
    low, high = fact.range or (-1e9, 1e9)
    starts = {low} | {start for test in tests for start in _changes(fact.name, test, low, high)}
    ordered = sorted(starts)
    ends = [math.nextafter(start, -math.inf) for start in ordered[1:]] + [high]
    return [*(Answers(spans=(span,)) for span in zip(ordered, ends, strict=True)), unknown]


def _changes(name: str, test: _Test, low: float, high: float) -> Iterable[float]:
    """Every value at which ``test`` begins to come out otherwise, to the last bit."""
    grid = [low + (high - low) * step / 64 for step in range(65)]
    for comparison in () if test.expression else comparisons(test.leaf):
        values = comparison.value if isinstance(comparison.value, tuple) else (comparison.value,)
        numbers = [float(value) for value in values if not isinstance(value, str)]
        grid += [
            x
            for n in numbers
            for x in (math.nextafter(n, -math.inf), n, math.nextafter(n, math.inf))
            if low <= x <= high
        ]
    for a, b in itertools.pairwise(sorted(set(grid))):
        before = test.holds({name: a})
        if test.holds({name: b}) == before:
            continue
        while (middle := a + (b - a) / 2) not in (a, b):
            a, b = (middle, b) if test.holds({name: middle}) == before else (a, middle)
        yield b
