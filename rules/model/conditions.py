"""The condition tree and its three-valued meaning: true, false, unknown (None).

A comparison on a fact that is not recorded is unknown; ``all``, ``any`` and ``none`` follow Kleene's strong logic.
``known`` and ``unknown`` ask about the record itself and are always true or false; so is ``unless_known_not``, by which a
danger counts until the safe value is on record.
Source for the logic: S. C. Kleene, Introduction to Metamathematics, 1952, section 64.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from rules.model.facts import FactValue

Comparator = Literal["is", "is_not", "one_of", "not_one_of", "at_least", "above", "at_most", "below"]

NEGATED: dict[Comparator, Comparator] = {
    "is": "is_not",
    "is_not": "is",
    "one_of": "not_one_of",
    "not_one_of": "one_of",
    "at_least": "below",
    "below": "at_least",
    "above": "at_most",
    "at_most": "above",
}
ORDERED: frozenset[Comparator] = frozenset({"at_least", "above", "at_most", "below"})


@dataclass(frozen=True)
class Compare:
    """One comparison of a fact with a constant. ``written`` is the threshold as the author wrote it."""

    fact: str
    comparator: Comparator
    value: FactValue | tuple[FactValue, ...]
    written: str = ""


@dataclass(frozen=True)
class Known:
    """Whether a value for the fact is recorded (or concluded)."""

    fact: str


@dataclass(frozen=True)
class Unknown:
    """Whether no value for the fact is recorded (or concluded)."""

    fact: str


@dataclass(frozen=True)
class UnlessKnownNot:
    """Whether a danger has to be reckoned with: false only where a value is on record that fails the comparison.

    ``comparison`` states the danger. Where its fact is unknown this is true; it is never unknown itself.
    """

    comparison: Compare

    @property
    def fact(self) -> str:
        """The fact that is compared."""
        return self.comparison.fact


@dataclass(frozen=True)
class AllOf:
    """True where every child is true; an empty one is true."""

    children: tuple[Condition, ...]


@dataclass(frozen=True)
class AnyOf:
    """True where at least one child is true."""

    children: tuple[Condition, ...]


@dataclass(frozen=True)
class NoneOf:
    """True where every child is false: a missing fact never makes it true."""

    children: tuple[Condition, ...]


Leaf = Compare | Known | Unknown | UnlessKnownNot
Condition = Leaf | AllOf | AnyOf | NoneOf

_TESTS: dict[Comparator, Callable[[FactValue, object], bool]] = {
    "is": operator.eq,
    "is_not": operator.ne,
    "one_of": lambda value, options: value in options,  # type: ignore[operator]
    "not_one_of": lambda value, options: value not in options,  # type: ignore[operator]
    "at_least": operator.ge,  # type: ignore[dict-item]
    "above": operator.gt,  # type: ignore[dict-item]
    "at_most": operator.le,  # type: ignore[dict-item]
    "below": operator.lt,  # type: ignore[dict-item]
}


def evaluate(condition: Condition, facts: Mapping[str, FactValue]) -> bool | None:
    """The truth of ``condition`` for ``facts``: True, False, or None for unknown."""
    match condition:
        case Compare(fact, comparator, value):
            found = facts.get(fact)
            return None if found is None else _TESTS[comparator](found, value)
        case Known(fact):
            return fact in facts
        case Unknown(fact):
            return fact not in facts
        case UnlessKnownNot(comparison):
            return evaluate(comparison, facts) is not False
        case AllOf(children):
            return _every(children, facts, want=True)
        case AnyOf(children):
            return _not(_every(children, facts, want=False))
        case NoneOf(children):
            return _every(children, facts, want=False)


def _every(children: tuple[Condition, ...], facts: Mapping[str, FactValue], *, want: bool) -> bool | None:
    unknown = False
    for child in children:
        truth = evaluate(child, facts)
        if truth is None:
            unknown = True
        elif truth is not want:
            return False
    return None if unknown else True


def _not(truth: bool | None) -> bool | None:
    return None if truth is None else not truth


def without_negation(condition: Condition, *, negate: bool = False) -> Condition:
    """A tree equal to ``condition``, or with ``negate`` to its opposite, without ``NoneOf``.

    Negation is pushed down to the comparisons (De Morgan).
    """
    match condition:
        case Compare(fact, comparator, value, written):
            return Compare(fact, NEGATED[comparator], value, written) if negate else condition
        case Known(fact):
            return Unknown(fact) if negate else condition
        case Unknown(fact):
            return Known(fact) if negate else condition
        case UnlessKnownNot(comparison):
            safe = without_negation(comparison, negate=True)
            return AllOf((Known(comparison.fact), safe)) if negate else condition
        case AllOf(children):
            pushed = tuple(without_negation(child, negate=negate) for child in children)
            return AnyOf(pushed) if negate else AllOf(pushed)
        case AnyOf(children):
            pushed = tuple(without_negation(child, negate=negate) for child in children)
            return AllOf(pushed) if negate else AnyOf(pushed)
        case NoneOf(children):
            return without_negation(AnyOf(children), negate=not negate)


def leaves(condition: Condition) -> Iterator[Leaf]:
    """Every comparison and record test in ``condition``, in reading order."""
    if isinstance(condition, Leaf):
        yield condition
    else:
        for child in condition.children:
            yield from leaves(child)


def grounds(condition: Condition) -> dict[Leaf, Condition]:
    """Each comparison of a true ``condition`` without negation, with what must hold so that it is a ground for it.

    A comparison that happens to be true in an alternative that fails otherwise is none.
    """
    if isinstance(condition, Leaf):
        return {condition: condition}
    found: dict[Leaf, list[Condition]] = {}
    for child in condition.children:
        for leaf, ground in grounds(child).items():
            found.setdefault(leaf, []).append(AllOf((child, ground)) if isinstance(child, AllOf) else ground)
    return {leaf: ways[0] if len(ways) == 1 else AnyOf(tuple(ways)) for leaf, ways in found.items()}


def comparisons(condition: Condition) -> Iterator[Compare]:
    """Every comparison of a value in ``condition``, in reading order, those of dangers included."""
    for leaf in leaves(condition):
        if isinstance(leaf, Compare):
            yield leaf
        elif isinstance(leaf, UnlessKnownNot):
            yield leaf.comparison


def facts_read(condition: Condition) -> frozenset[str]:
    """The names of the facts that ``condition`` reads."""
    return frozenset(leaf.fact for leaf in leaves(condition))


_WORDS: dict[Comparator, str] = {
    "is": "is",
    "is_not": "is not",
    "one_of": "is one of",
    "not_one_of": "is none of",
    "at_least": ">=",
    "above": ">",
    "at_most": "<=",
    "below": "<",
}


def needed_facts(condition: Condition) -> frozenset[str]:
    """The facts without which ``condition`` (negation pushed down) is never true."""
    match condition:
        case Compare(fact) | Known(fact):
            return frozenset({fact})
        case AllOf(children):
            return frozenset().union(*map(needed_facts, children))
        case AnyOf((first, *others)):
            return needed_facts(first).intersection(*map(needed_facts, others))
    return frozenset()


def describe(condition: Condition) -> str:
    """``condition`` as one readable line."""
    match condition:
        case Compare(fact, comparator, value, written):
            shown = ", ".join(map(_show, value)) if isinstance(value, tuple) else _show(value)
            note = f" ({written})" if written and written != shown else ""
            return f"{fact} {_WORDS[comparator]} {shown}{note}"
        case Known(fact):
            return f"{fact} is known"
        case Unknown(fact):
            return f"{fact} is unknown"
        case UnlessKnownNot(comparison):
            return f"{describe(comparison)}, or not recorded"
        case AllOf(()):
            return "always"
        case AllOf(children):
            return "(" + " and ".join(map(describe, children)) + ")"
        case AnyOf(children):
            return "(" + " or ".join(map(describe, children)) + ")"
        case NoneOf(children):
            return "none of (" + "; ".join(map(describe, children)) + ")"


def _show(value: FactValue) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


ConditionPath = tuple[int, ...]

ALWAYS = AllOf(())
"""A condition that is true for everybody."""
NEVER = AnyOf(())
"""A condition that is false for everybody."""


def parts(condition: Condition, path: ConditionPath = ()) -> Iterator[tuple[ConditionPath, Condition]]:
    """Every part of ``condition``, the whole first, in reading order, each with its path; the whole stands at ``path``."""
    yield path, condition
    for index, child in enumerate(children(condition)):
        yield from parts(child, (*path, index))


def children(condition: Condition) -> tuple[Condition, ...]:
    """The parts directly below ``condition``."""
    match condition:
        case AllOf(found) | AnyOf(found) | NoneOf(found):
            return found
        case Compare() | Known() | Unknown() | UnlessKnownNot():
            return ()


def replaced(condition: Condition, path: ConditionPath, part: Condition) -> Condition:
    """``condition`` with the part under ``path`` exchanged for ``part``."""
    if not path:
        return part
    head, rest = path[0], path[1:]
    below = tuple(
        replaced(child, rest, part) if index == head else child for index, child in enumerate(children(condition))
    )
    assert isinstance(condition, (AllOf, AnyOf, NoneOf))
    return type(condition)(below)


def dropped(condition: AllOf | AnyOf | NoneOf, index: int) -> Condition:
    """``condition`` without its child at ``index``."""
    return type(condition)((*condition.children[:index], *condition.children[index + 1 :]))
