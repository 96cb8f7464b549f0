"""Arithmetic in the knowledge files: ``neck_height_fingers * finger_width_mm - 3``.

Numbers, names, ``+ - * /``, unary minus and brackets; nothing else. Parsed once at load into a small
tree that each backend (plain Python, columns, solver) compiles for itself.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

Operator = Literal["+", "-", "*", "/"]


@dataclass(frozen=True)
class Number:
    """A literal number."""

    value: float


@dataclass(frozen=True)
class Name:
    """A parameter or a fact, by name."""

    name: str


@dataclass(frozen=True)
class BinaryOperation:
    """Two expressions joined by an operator."""

    operator: Operator
    left: Expression
    right: Expression


Expression = Number | Name | BinaryOperation

_OPERATORS: dict[type[ast.operator], Operator] = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}


def parse(text: str | float) -> Expression:
    """Parse ``text`` (or take a number as it is). Raises ValueError that says what was not understood."""
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        return Number(text)
    try:
        return _convert(ast.parse(str(text).strip(), mode="eval").body)
    except SyntaxError as error:
        raise ValueError(f"{text!r} is not an arithmetic expression") from error


def _convert(node: ast.expr) -> Expression:
    match node:
        case ast.Constant(value=value) if isinstance(value, (int, float)) and not isinstance(value, bool):
            return Number(value)
        case ast.Name(id=name):
            return Name(name)
        case ast.UnaryOp(op=ast.USub(), operand=operand):
            return BinaryOperation("-", Number(0), _convert(operand))
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _OPERATORS:
            return BinaryOperation(_OPERATORS[type(op)], _convert(left), _convert(right))
    raise ValueError(f"{ast.unparse(node)!r} is not allowed here; use numbers, names, + - * / and brackets")


def names(expression: Expression) -> frozenset[str]:
    """Every name in ``expression``."""
    match expression:
        case Name(name):
            return frozenset({name})
        case BinaryOperation(_, left, right):
            return names(left) | names(right)
    return frozenset()


def substitute(expression: Expression, values: Mapping[str, float]) -> Expression:
    """``expression`` with each name found in ``values`` replaced by its number, and constant parts worked out.

    Raises ValueError where a constant part divides by zero or has no finite value.
    """
    match expression:
        case Name(name) if name in values:
            return Number(values[name])
        case BinaryOperation(operator, left, right):
            left, right = substitute(left, values), substitute(right, values)
            if operator == "/" and right == Number(0):
                raise ValueError(f"{render(expression)} divides by zero")
            if isinstance(left, Number) and isinstance(right, Number):
                value = _apply(operator, left.value, right.value)
                if value is None:
                    raise ValueError(f"{render(expression)} is not a finite number")
                return Number(value)
            return BinaryOperation(operator, left, right)
    return expression


def evaluate(expression: Expression, value_of: Callable[[str], float | None]) -> float | None:
    """The value of ``expression``, or None where ``value_of`` gives none for a name in it, or the result is not a finite number.

    ``value_of`` gives the number behind a name in its own unit; the result is in the unit that the expression works
    out.
    """
    match expression:
        case Number(value):
            return value
        case Name(name):
            return value_of(name)
        case BinaryOperation(operator, left, right):
            a, b = evaluate(left, value_of), evaluate(right, value_of)
            return None if a is None or b is None else _apply(operator, a, b)


def _apply(operator: Operator, a: float, b: float) -> float | None:
    if operator == "/" and b == 0:
        return None
    try:
        value = {"+": lambda: a + b, "-": lambda: a - b, "*": lambda: a * b, "/": lambda: a / b}[operator]()
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def render(expression: Expression) -> str:
    """``expression`` as text that ``parse`` reads back to the same tree."""
    match expression:
        case Number(value):
            return f"{value:g}" if float(f"{value:g}") == value else repr(value)
        case Name(name):
            return name
        case BinaryOperation(operator, left, right):
            return f"({render(left)} {operator} {render(right)})"
