"""Conditions as compiled Python functions, for what is asked many times a decision: whether a rule fires, or still may.

Each gives the same answer as the tree that it was made from (``rules.model.conditions``), negation pushed down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Set
from typing import Any

from rules.model.conditions import (
    AllOf,
    AnyOf,
    Comparator,
    Compare,
    Condition,
    Known,
    Leaf,
    NoneOf,
    Unknown,
    UnlessKnownNot,
    without_negation,
)
from rules.model.facts import FactValue

Test = Callable[[Mapping[str, FactValue]], bool]
"""Whether a condition is true for given facts."""
OpenTest = Callable[[Mapping[str, FactValue], Set[str]], bool]
"""The same, where the facts of the second argument may yet turn out any way, or change."""

TestOfEach = Callable[[Mapping[str, FactValue]], tuple[bool, ...]]
"""Which of several comparisons are true for given facts."""

_OPERATORS: dict[Comparator, str] = {
    "is": "==",
    "is_not": "!=",
    "one_of": "in",
    "not_one_of": "not in",
    "at_least": ">=",
    "above": ">",
    "at_most": "<=",
    "below": "<",
}
_DEEPEST = 60
"""Levels of parentheses in one function; what lies deeper becomes a function of its own, since a parser takes only so many."""


def definitely(condition: Condition) -> Test:
    """A test for "``condition`` is definitely true": the same answer as ``evaluate(...) is True``."""
    return _Compiler("facts", "{}").function(without_negation(condition))


def possibly(condition: Condition) -> OpenTest:
    """A test for "``condition`` can be true, whatever becomes of what is open"; it may say yes where it cannot, never no."""
    return _Compiler("facts, open_facts", "({fact!r} in open_facts or {})").function(without_negation(condition))


def certainly(condition: Condition) -> OpenTest:
    """A test for "``condition`` is true, whatever becomes of what is open"; it may say no where it is, never yes."""
    return _Compiler("facts, open_facts", "({fact!r} not in open_facts and {})").function(without_negation(condition))


def each(compared: Iterable[Condition]) -> TestOfEach:
    """A test for which of the conditions ``compared``, without negation, are definitely true."""
    return _Compiler("facts", "{}").functions(compared)


class _Compiler:
    """Writes one condition as a Python expression; the values that are compared never stand in its text."""

    def __init__(self, arguments: str, leaf: str) -> None:
        """A function of ``arguments``, in which ``leaf`` is the form of a comparison."""
        self._arguments = arguments
        self._leaf = leaf
        self._constants: dict[str, Any] = {}

    def function(self, condition: Condition) -> Callable[..., bool]:
        text = f"lambda {self._arguments}: {self._expression(condition, 0)}"
        made: Callable[..., bool] = eval(text, self._constants)
        return made

    def functions(self, conditions: Iterable[Condition]) -> Callable[..., tuple[bool, ...]]:
        text = "".join(f"{self._expression(condition, 0)}, " for condition in conditions)
        made: Callable[..., tuple[bool, ...]] = eval(f"lambda {self._arguments}: ({text})", self._constants)
        return made

    def _constant(self, value: object) -> str:
        name = f"c{len(self._constants)}"
        self._constants[name] = value
        return name

    def _expression(self, condition: Condition, depth: int) -> str:
        if depth > _DEEPEST:
            return f"{self._constant(_Compiler(self._arguments, self._leaf).function(condition))}({self._arguments})"
        match condition:
            case AllOf(children):
                return self._joined(" and ", children, "True", depth)
            case AnyOf(children):
                return self._joined(" or ", children, "False", depth)
            case NoneOf():
                raise TypeError(f"negation must be pushed down first: {condition!r}")
        return self._leaf.format(self._test(condition), fact=condition.fact)

    def _joined(self, word: str, children: tuple[Condition, ...], empty: str, depth: int) -> str:
        parts = [self._expression(child, depth + 1) for child in children]
        return f"({word.join(parts)})" if parts else empty

    def _test(self, leaf: Leaf) -> str:
        known = f"{leaf.fact!r} in facts"
        match leaf:
            case Compare(fact, comparator, value):
                return f"({known} and facts[{fact!r}] {_OPERATORS[comparator]} {self._constant(value)})"
            case UnlessKnownNot(Compare(fact, comparator, value)):
                return f"({fact!r} not in facts or facts[{fact!r}] {_OPERATORS[comparator]} {self._constant(value)})"
            case Known():
                return f"({known})"
            case Unknown(fact):
                return f"({fact!r} not in facts)"
