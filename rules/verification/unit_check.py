"""Whether arithmetic in the knowledge agrees in its units: what is compared, added or concluded measures the same thing.

A bare number takes the unit of what it is added to. Multiplied in, it may be a plain factor, or the factor between two units
(``height_cm / 100`` is metres). Curly annotations of UCUM (``{finger}``, ``{score}``) count only where nothing else is left.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from rules.model import expressions
from rules.model.units import Dimension, UnitError, annotation_of, unit_of


class UnitMismatch(ValueError):
    """Two parts of an expression, or an expression and its fact, do not measure the same; the message says which."""


@dataclass(frozen=True)
class Measure:
    """What an expression measures: dimension, size of its unit in base units, annotation, and the bare numbers multiplied in."""

    written: str
    dimension: Dimension
    scale: float
    annotation: str
    factor: float = 1.0


def measure(unit: str | None) -> Measure:
    """What ``unit`` (a UCUM code; None is a plain number) measures. Raises UnitMismatch where it is not known."""
    written = unit or "1"
    try:
        known = unit_of(written)
    except UnitError as error:
        raise UnitMismatch(f"{written!r} is not among the UCUM codes of rules/model/units.py") from error
    return Measure(written, known.dimension, float(known.size), annotation_of(written))


def check(text: Any, unit_of: Callable[[str], str | None], wanted: str | None) -> None:
    """Check that ``text`` (a number, or arithmetic) gives the unit ``wanted``; ``unit_of`` names the unit of each name.

    Raises UnitMismatch that says what does not fit.
    """
    found = _of(expressions.parse(text), unit_of)
    if found is not None:
        _agree(found, measure(wanted), f"{text} is in {found.written}, but {wanted or 'a plain number'} is wanted")


def _of(expression: expressions.Expression, unit_of: Callable[[str], str | None]) -> Measure | None:
    """What ``expression`` measures, or None for a bare number, which fits everywhere."""
    match expression:
        case expressions.Number():
            return None
        case expressions.Name(name):
            return measure(unit_of(name))
        case expressions.BinaryOperation(operator, left, right):
            a, b = _of(left, unit_of), _of(right, unit_of)
            if operator in ("+", "-"):
                if a is not None and b is not None:
                    both = f"{expressions.render(left)} ({a.written}) and {expressions.render(right)} ({b.written})"
                    _agree(a, b, f"{both} are joined by {operator}, but do not measure the same")
                return a or b
            return _product(_or_number(a, left), _or_number(b, right), 1 if operator == "*" else -1)


def _or_number(found: Measure | None, expression: expressions.Expression) -> Measure:
    if found is not None:
        return found
    value = expressions.evaluate(expression, lambda _: None)
    return Measure("1", Dimension(), 1.0, "", 1.0 if value is None else value)


def _product(a: Measure, b: Measure, power: int) -> Measure:
    sign = " " if power == 1 else " / "
    written = (
        a.written
        if b.written == "1"
        else f"{a.written}{sign}{b.written}"
        if a.written != "1" or power < 0
        else b.written
    )
    factor = a.factor * b.factor**power if b.factor else 0.0
    return Measure(
        written, a.dimension.times(b.dimension, power), a.scale * b.scale**power, a.annotation + b.annotation, factor
    )


def _agree(a: Measure, b: Measure, message: str) -> None:
    if a.dimension != b.dimension:
        raise UnitMismatch(message)
    if not any(a.dimension) and a.annotation and b.annotation and a.annotation != b.annotation:
        raise UnitMismatch(message)
    same = math.isclose(a.scale, b.scale, rel_tol=1e-9)
    made_up = math.isclose(a.scale / (a.factor or 1), b.scale / (b.factor or 1), rel_tol=1e-9)
    if not (same or made_up):
        raise UnitMismatch(f"{message}; the units differ by a factor of {a.scale / b.scale:g}")
