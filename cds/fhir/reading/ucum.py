"""Quantities in UCUM units, turned into a fact's own unit by a library (pint with ucumvert) and nothing guessed.

Factors are worked out once a unit and kept as exact fractions, so that a reading costs one multiplication: 25 [in_i] is
635 mm exactly, and never falls on the wrong side of a band edge by a rounding error.
"""

from __future__ import annotations

import re
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from threading import Lock

from lark.exceptions import LarkError
from pint import Quantity
from pint.errors import DimensionalityError, PintError
from ucumvert import InvalidUcumError, PintUcumRegistry

from rules.errors import NuqueError

UCUM = "http://unitsofmeasure.org"

_LONGEST_UNIT = 40
_ANNOTATION = re.compile(r"\{[^{}]*\}")
_ONLY_ANNOTATION = re.compile(r"\{[\x21-\x7e]*\}")
_LONG_NUMBER = re.compile(r"\d{4}")
_registry = PintUcumRegistry()
_registry_lock = Lock()


class UnitError(NuqueError):
    """A unit is unknown, or measures something else than the fact."""


@lru_cache(maxsize=1024)
def factor(unit: str, target: str) -> Fraction:
    """How many ``target`` one ``unit`` is; both are UCUM codes, with curly annotations left out of account.

    Raises UnitError where ``unit`` is not UCUM, has another dimension, or is not a plain multiple (degrees Celsius).
    """
    if len(unit) > _LONGEST_UNIT or _LONG_NUMBER.search(_ANNOTATION.sub("", unit)):
        raise UnitError(f"unknown unit {unit[:_LONGEST_UNIT]!r}")
    with _registry_lock:
        try:
            measure, into = _parsed(unit), _parsed(target).units
            one, zero = measure.to(into).magnitude, _registry.Quantity(0, measure.units).to(into).magnitude
        except DimensionalityError as error:
            raise UnitError(f"the unit {unit} does not measure in {target}") from error
        except (InvalidUcumError, LarkError, PintError, ArithmeticError) as error:
            raise UnitError(f"unknown unit {unit!r}") from error
    if zero != 0 or not one > 0:
        raise UnitError(f"the unit {unit} is not a plain multiple of {target}")
    return _exact(one)


def convert(number: Decimal, unit: str, target: str) -> float:
    """``number`` of ``unit`` in ``target``. Raises UnitError as ``factor`` does."""
    return float(number if unit == target else Fraction(number) * factor(unit, target))


def is_annotation(unit: str) -> bool:
    """Whether ``unit`` is nothing but a curly annotation (``{finger}``): it counts something and has no dimension."""
    return _ONLY_ANNOTATION.fullmatch(unit) is not None


def _exact(factor: float) -> Fraction:
    """The fraction that the library's ``factor`` stands for: it or its inverse, whichever has fewer digits (25.4; 1/60)."""
    straight, inverse = Decimal(f"{factor:.14g}"), Decimal(f"{1 / factor:.14g}")
    if len(inverse.normalize().as_tuple().digits) < len(straight.normalize().as_tuple().digits):
        return 1 / Fraction(inverse)
    return Fraction(straight)


def _parsed(unit: str) -> Quantity[float]:
    """One ``unit`` as the library has it. A pure annotation, which the parser hands back as a token, is the unit one."""
    parsed = _registry.Quantity(1) if is_annotation(unit) else _registry.from_ucum(unit)
    assert isinstance(parsed, Quantity)
    return parsed
