"""The units of facts and of records: a table of UCUM codes with exact factors, and nothing guessed.

Source of the codes and factors: the Unified Code for Units of Measure; the inch and the pound as in NIST Special Publication
811. The tests hold the whole table against two unit libraries, so that neither is needed where decisions are made.
"""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

from rules.errors import NuqueError

_ANNOTATION = re.compile(r"(?<=[^{}./])\{([\x21-\x7a\x7c\x7e]*)\}")
_ONLY_ANNOTATION = re.compile(r"\{([\x21-\x7a\x7c\x7e]*)\}")
_LONGEST_SHOWN = 40
_DIGITS_READ = 6


class UnitError(NuqueError):
    """A unit is not in the table, or measures something else than is wanted; the message says which."""


class Dimension(NamedTuple):
    """What a unit measures: the powers of length, mass and time in it."""

    length: int = 0
    mass: int = 0
    time: int = 0

    def times(self, other: Dimension, power: int) -> Dimension:
        """The dimension of a product with ``other`` raised to ``power``, a whole number (-1: of a quotient)."""
        return Dimension(*(own + power * others for own, others in zip(self, other, strict=True)))


class Unit(NamedTuple):
    """A unit: its dimension, and how many metres, grams, seconds (and products of these) it is."""

    dimension: Dimension
    size: Fraction


_ONE, _LENGTH, _AREA, _MASS, _TIME = Dimension(), Dimension(1), Dimension(2), Dimension(0, 1), Dimension(0, 0, 1)
_SPEED, _MASS_BY_AREA, _RATE = Dimension(1, 0, -1), Dimension(-2, 1), Dimension(0, 0, -1)
_LENGTH_BY_MASS, _MASS_BY_TIME = Dimension(1, -1), Dimension(0, 1, -1)
_LENGTH_BY_INDEX = Dimension(3, -1)
_HOUR, _DAY = Fraction(3600), Fraction(86_400)
_YEAR = _DAY * Fraction("365.25")
# The example unit of LOINC for body height is the inch of this foot.
_SURVEY_FOOT = Fraction(1200, 3937)
_MILE, _POUND = Fraction("1609.344"), Fraction("453.59237")

UNITS: dict[str, Unit] = {
    "1": Unit(_ONE, Fraction(1)),
    "%": Unit(_ONE, Fraction(1, 100)),
    "um": Unit(_LENGTH, Fraction(1, 10**6)),
    "mm": Unit(_LENGTH, Fraction(1, 1000)),
    "cm": Unit(_LENGTH, Fraction(1, 100)),
    "dm": Unit(_LENGTH, Fraction(1, 10)),
    "m": Unit(_LENGTH, Fraction(1)),
    "km": Unit(_LENGTH, Fraction(1000)),
    "[in_i]": Unit(_LENGTH, Fraction("0.0254")),
    "[ft_i]": Unit(_LENGTH, Fraction("0.3048")),
    "[yd_i]": Unit(_LENGTH, Fraction("0.9144")),
    "[mi_i]": Unit(_LENGTH, _MILE),
    "[in_us]": Unit(_LENGTH, _SURVEY_FOOT / 12),
    "[ft_us]": Unit(_LENGTH, _SURVEY_FOOT),
    "mm2": Unit(_AREA, Fraction(1, 10**6)),
    "cm2": Unit(_AREA, Fraction(1, 10**4)),
    "m2": Unit(_AREA, Fraction(1)),
    "ug": Unit(_MASS, Fraction(1, 10**6)),
    "mg": Unit(_MASS, Fraction(1, 1000)),
    "g": Unit(_MASS, Fraction(1)),
    "kg": Unit(_MASS, Fraction(1000)),
    "t": Unit(_MASS, Fraction(10**6)),
    "[oz_av]": Unit(_MASS, _POUND / 16),
    "[lb_av]": Unit(_MASS, _POUND),
    "[stone_av]": Unit(_MASS, _POUND * 14),
    "ms": Unit(_TIME, Fraction(1, 1000)),
    "s": Unit(_TIME, Fraction(1)),
    "min": Unit(_TIME, Fraction(60)),
    "h": Unit(_TIME, _HOUR),
    "d": Unit(_TIME, _DAY),
    "wk": Unit(_TIME, _DAY * 7),
    "mo": Unit(_TIME, _YEAR / 12),
    "a": Unit(_TIME, _YEAR),
    "m/s": Unit(_SPEED, Fraction(1)),
    "km/h": Unit(_SPEED, 1000 / _HOUR),
    "[mi_i]/h": Unit(_SPEED, _MILE / _HOUR),
    "mm/cm": Unit(_ONE, Fraction(1, 10)),
    "mm/kg": Unit(_LENGTH_BY_MASS, Fraction(1, 10**6)),
    "mm.m2/kg": Unit(_LENGTH_BY_INDEX, Fraction(1, 10**6)),
    "mm/a": Unit(_SPEED, 1 / (1000 * _YEAR)),
    "cm/a": Unit(_SPEED, 1 / (100 * _YEAR)),
    "kg/a": Unit(_MASS_BY_TIME, 1000 / _YEAR),
    "kg/m2": Unit(_MASS_BY_AREA, Fraction(1000)),
    "g/cm2": Unit(_MASS_BY_AREA, Fraction(10**4)),
    "/min": Unit(_RATE, Fraction(1, 60)),
    "/h": Unit(_RATE, 1 / _HOUR),
    "/d": Unit(_RATE, 1 / _DAY),
}
"""Every UCUM code that a fact or a parameter may be in, or a record may be written in where a fact of that dimension is read."""


def unit_of(code: str) -> Unit:
    """The unit that the UCUM ``code`` names, its annotations left out of account. Raises UnitError where it is not known."""
    found = UNITS.get("1" if is_annotation(code) else _ANNOTATION.sub("", code))
    if found is None:
        raise UnitError(f"unknown unit {code[:_LONGEST_SHOWN]!r}")
    return found


def annotation_of(code: str) -> str:
    """What stands in the curly annotations of ``code``: ``finger`` of ``{finger}``, nothing of ``mm``."""
    alone = _ONLY_ANNOTATION.fullmatch(code)
    return alone[1] if alone else "".join(_ANNOTATION.findall(code))


def is_annotation(code: str) -> bool:
    """Whether ``code`` is nothing but a curly annotation (``{finger}``): it counts something and has no dimension."""
    return _ONLY_ANNOTATION.fullmatch(code) is not None


def convert(number: Decimal, unit: str, target: str) -> float:
    """``number`` of ``unit`` in ``target``, both UCUM codes.

    Factors are exact fractions: 25 [in_i] is 635 mm exactly, and never falls on the wrong side of a band edge by rounding.
    Raises UnitError where one of them is not known, or they do not measure the same.
    """
    return float(number if unit == target else Fraction(number) * factor(unit, target))


def measured(number: Decimal, unit: str, target: str) -> float:
    """``number`` of ``unit`` in ``target`` as it is read of a record: what was converted is rounded to six digits.

    Whoever wrote 17 years in weeks had to round (887.0357 wk); what is read is 17 years, and not a moment less.
    Raises UnitError as ``convert`` does.
    """
    converted = convert(number, unit, target)
    return converted if unit == target else round(converted, _DIGITS_READ)


def factor(code: str, target: str) -> Fraction:
    """How many ``target`` one ``code`` is, exactly; both are UCUM codes.

    Raises UnitError where one of them is not known, or they do not measure the same.
    """
    unit, into = unit_of(code), unit_of(target)
    if unit.dimension != into.dimension:
        raise UnitError(f"the unit {code} does not measure in {target}")
    return unit.size / into.size
