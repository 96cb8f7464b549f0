"""Conditions as rows of a decision table: one row for each way to be true, one cell (FEEL unary tests) for each fact in it.

A cell is true only where its fact is known, as our comparisons are, except where it holds ``null`` itself. So "is not" is
written as what else it may be: FEEL's ``not("a")`` would hold for null.
Source: Decision Model and Notation 1.3 (OMG), chapter 10.3.2.7, unary tests, https://www.omg.org/spec/DMN/1.3
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from cds.fhir.publishing.expression_languages.notation import OPERATORS, plain_number
from cds.fhir.publishing.expression_languages.published_codes import published_value
from rules.model import expressions
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, Unknown, UnlessKnownNot, without_negation
from rules.model.facts import FactDefinition, FactValue, Vocabulary

Row = Mapping[str, str]
"""Cells by fact; a fact that is not named may be anything."""


def rows(condition: Condition, vocabulary: Vocabulary) -> list[Row]:
    """The rows that together say ``condition`` on facts of ``vocabulary``: it is true where one of them matches."""
    branches = _branches(without_negation(condition))
    found = (_row(branch, vocabulary) for branch in branches)
    return [row for row in found if row is not None]


_Leaf = Compare | Known | Unknown | UnlessKnownNot


def _branches(condition: Condition) -> list[tuple[_Leaf, ...]]:
    """The disjunctive form of ``condition``, which holds no negation."""
    match condition:
        case AllOf(children):
            products = itertools.product(*map(_branches, children))
            return [tuple(itertools.chain.from_iterable(parts)) for parts in products]
        case AnyOf(children):
            return list(itertools.chain.from_iterable(map(_branches, children)))
        case Compare() | Known() | Unknown() | UnlessKnownNot():
            return [(condition,)]
    raise ValueError(f"{condition!r}: negation must be pushed down first")


def _row(leaves: tuple[_Leaf, ...], vocabulary: Vocabulary) -> Row | None:
    """One cell a fact, or None where two leaves about one fact exclude each other."""
    by_fact: dict[str, list[_Leaf]] = {}
    for leaf in leaves:
        by_fact.setdefault(leaf.fact, []).append(leaf)
    cells = {}
    for fact, about in by_fact.items():
        definition = vocabulary[fact]
        cell = _number_cell(about) if definition.numeric else _choice_cell(about, definition)
        if cell is None:
            return None
        cells[fact] = cell
    return cells


def _choice_cell(leaves: list[_Leaf], fact: FactDefinition) -> str | None:
    """The answers, null among them, that satisfy all of ``leaves``."""
    answers: list[FactValue | None] = [True, False] if fact.type == "boolean" else list(fact.values)
    kept = [answer for answer in [*answers, None] if all(_satisfies(answer, leaf) for leaf in leaves)]
    if kept == answers:
        return "not(null)"
    return ", ".join(map(literal, kept)) or None


def _satisfies(answer: FactValue | None, leaf: _Leaf) -> bool:
    match leaf:
        case Known():
            return answer is not None
        case Unknown():
            return answer is None
        case UnlessKnownNot(comparison):
            return answer is None or _satisfies(answer, comparison)
        case Compare(_, comparator, value):
            among = value if isinstance(value, tuple) else (value,)
            return answer is not None and (answer in among) == (comparator in ("is", "one_of"))


def _number_cell(leaves: list[_Leaf]) -> str | None:
    tests = [_number_test(leaf) for leaf in leaves]
    if len(tests) == 1 and isinstance(leaves[0], Compare) and leaves[0].comparator in OPERATORS:
        return tests[0].removeprefix("? ").removeprefix("= ") if leaves[0].comparator != "is_not" else _known(tests[0])
    return (
        _known(" and ".join(tests))
        if not any(isinstance(leaf, UnlessKnownNot | Unknown) for leaf in leaves)
        else " and ".join(tests)
    )


def _known(test: str) -> str:
    return f"? != null and {test}"


def _number_test(leaf: _Leaf) -> str:
    match leaf:
        case Known():
            return "? != null"
        case Unknown():
            return "? = null"
        case UnlessKnownNot(comparison):
            return f"(? = null or {_number_test(comparison)})"
        case Compare(_, "one_of", tuple(values)):
            return "(" + " or ".join(f"? = {literal(value)}" for value in values) + ")"
        case Compare(_, "not_one_of", tuple(values)):
            return "(" + " and ".join(f"? != {literal(value)}" for value in values) + ")"
        case Compare(_, comparator, value) if not isinstance(value, tuple):
            return f"? {OPERATORS[comparator]} {literal(value)}"
    raise ValueError(f"{leaf!r} compares with a list where one value is expected, or the other way round")


def literal(value: FactValue | None) -> str:
    """``value`` in FEEL; a coded one as its published code."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    published = published_value(value)
    if isinstance(published, str):
        return '"' + published.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return plain_number(published)


def arithmetic(expression: expressions.Expression) -> str:
    """``expression`` in FEEL; null where a fact in it is unknown."""
    match expression:
        case expressions.Number(value):
            return literal(value)
        case expressions.Name(fact):
            return fact
        case expressions.BinaryOperation(operator, left, right):
            return f"({arithmetic(left)} {operator} {arithmetic(right)})"
