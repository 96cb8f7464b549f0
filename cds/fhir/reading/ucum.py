"""Quantities in UCUM units, turned into a fact's own unit.

Factors are exact fractions: 25 [in_i] is 635 mm exactly, and never falls on the wrong side of a band edge by a rounding error.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from rules.model.units import factor

UCUM = "http://unitsofmeasure.org"


def convert(number: Decimal, unit: str, target: str) -> float:
    """``number`` of ``unit`` in ``target``. Raises UnitError where the one is not known or does not measure in the other."""
    return float(number if unit == target else Fraction(number) * factor(unit, target))
