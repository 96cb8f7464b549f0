"""What the published notations (FHIRPath, CQL, FEEL) write alike."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Callable
from decimal import Decimal

from rules.model.conditions import (
    AllOf,
    AnyOf,
    Comparator,
    Compare,
    Condition,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
)
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, SizeOffer, strength

OPERATORS: dict[Comparator, str] = {
    "is": "=",
    "is_not": "!=",
    "at_least": ">=",
    "above": ">",
    "at_most": "<=",
    "below": "<",
}
"""The comparisons with one value."""
MORE_THAN_ANY_PRIORITY = 1_000_000


def joined(parts: list[str], operator: str, *, empty: str) -> str:
    """``parts`` with ``operator`` between them, in brackets where there are several; ``empty`` where there is none."""
    if len(parts) < 2:
        return parts[0] if parts else empty
    return "(" + f" {operator} ".join(parts) + ")"


def computable(name: str) -> str:
    """``name`` as an identifier in programs, which the standard asks for: ``bed-rest`` becomes ``BedRest``."""
    return "".join(part[:1].upper() + part[1:] for part in re.split(r"[^A-Za-z0-9]+", name))


def plain_number(value: float) -> str:
    """The number ``value`` without an exponent."""
    return format(Decimal(repr(value)), "f")


def strength_number(rule: Rule, offer: SizeOffer) -> int:
    """The strength of ``offer`` by ``rule`` as one number, the smallest the strongest: a better basis goes before any priority."""
    basis, priority = strength(offer.basis, rule.priority)
    return basis * MORE_THAN_ANY_PRIORITY + priority


def leaves_open(comparison: Compare, youngest: str, oldest: str, number: Callable[[float], str]) -> str:
    """That ages in years from ``youngest`` to ``oldest`` leave ``comparison`` open; ``number`` writes its value.

    Raises ValueError for a comparison with the very age.
    """
    if isinstance(comparison.value, tuple | str):
        raise ValueError(f"an age is compared with {comparison.value!r}")
    value = number(float(comparison.value))
    match comparison.comparator:
        case "at_least" | "below":
            return f"({youngest} < {value} and {oldest} >= {value})"
        case "above" | "at_most":
            return f"({youngest} <= {value} and {oldest} > {value})"
    raise ValueError(f"an age is compared by {comparison.comparator!r}")


class LogicNotation(ABC):
    """Conditions in a language whose ``and`` and ``or`` are three-valued, as they are over unknown facts here."""

    @abstractmethod
    def fact(self, name: str) -> str:
        """The fact ``name``."""

    @abstractmethod
    def literal(self, value: FactValue) -> str:
        """``value`` of a fact."""

    @abstractmethod
    def known(self, fact: str) -> str:
        """That ``fact`` is known."""

    @abstractmethod
    def unknown(self, fact: str) -> str:
        """That ``fact`` is not known."""

    @abstractmethod
    def negated(self, expression: str) -> str:
        """The opposite of ``expression``."""

    def operand(self, when: Condition) -> str:
        """``when`` beside another."""
        return self.condition(when)

    def condition(self, when: Condition) -> str:
        """``when`` as an expression. Raises ValueError for a list where one value is compared, or the other way round."""
        match when:
            case Compare(fact, "one_of", tuple(values)):
                return joined([f"{self.fact(fact)} = {self.literal(value)}" for value in values], "or", empty="false")
            case Compare(fact, "not_one_of", tuple(values)):
                return joined([f"{self.fact(fact)} != {self.literal(value)}" for value in values], "and", empty="true")
            case Compare(fact, comparator, value) if not isinstance(value, tuple):
                return f"{self.fact(fact)} {OPERATORS[comparator]} {self.literal(value)}"
            case Known(fact):
                return self.known(fact)
            case Unknown(fact):
                return self.unknown(fact)
            case UnlessKnownNot(comparison):
                return f"({self.unknown(comparison.fact)} or {self.condition(comparison)})"
            case AllOf(children):
                return joined(list(map(self.operand, children)), "and", empty="true")
            case AnyOf(children):
                return joined(list(map(self.operand, children)), "or", empty="false")
            case NoneOf(children):
                return self.negated(joined(list(map(self.operand, children)), "or", empty="false"))
        raise ValueError(f"{when!r} compares with a list where one value is expected, or the other way round")
