"""What the published notations (FHIRPath, CQL, FEEL) write alike."""

from __future__ import annotations

from decimal import Decimal

from rules.model.conditions import Comparator
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


def plain_number(value: float) -> str:
    """``value`` without an exponent."""
    return format(Decimal(repr(value)), "f")


def strength_number(rule: Rule, offer: SizeOffer) -> int:
    """The strength of ``offer`` as one number, the smallest the strongest: a better basis goes before any priority."""
    basis, priority = strength(offer.basis, rule.priority)
    return basis * MORE_THAN_ANY_PRIORITY + priority
