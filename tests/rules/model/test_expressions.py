"""Arithmetic of the knowledge files against Python's own, and what it refuses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.model import expressions
from rules.model.expressions import BinaryOperation, Name, Number


def value(text: str | float, **names: float) -> float | None:
    return expressions.evaluate(expressions.parse(text), names.get)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1 + 2 * 3", 7), ("(1 + 2) * 3", 9), ("-2 - -3", 1), ("7 / 2", 3.5), (4, 4), ("2.5", 2.5), ("8 - 4 - 2", 2)],
)
def test_precedence_and_brackets(text, expected):
    assert value(text) == expected


def test_names_are_looked_up():
    assert value("(fingers - half) * width", fingers=3, half=0.5, width=19) == 47.5


def test_an_unknown_name_makes_the_whole_unknown():
    assert value("a + 1") is None


@pytest.mark.parametrize("text", ["1 / 0", "1e308 * 10", "0 / (a - a)"])
def test_what_is_not_a_finite_number_is_unknown(text):
    assert value(text, a=1) is None


@pytest.mark.parametrize(
    "text", ["a ** 2", "f(1)", "a if b else c", "'word'", "a.b", "[1]", "1 +", "", "True", "a < b", "x @ y"]
)
def test_anything_else_is_refused_with_the_text(text):
    with pytest.raises(ValueError, match=r"arithmetic|not allowed"):
        expressions.parse(text)


EXPRESSIONS = st.recursive(
    st.one_of(st.integers(0, 999).map(Number), st.sampled_from(["a", "b"]).map(Name)),
    lambda inner: st.builds(BinaryOperation, st.sampled_from("+-*/"), inner, inner),
    max_leaves=8,
)


@given(EXPRESSIONS, st.integers(1, 9), st.integers(1, 9))
def test_rendering_and_parsing_again_changes_nothing(expression, a, b):
    names = {"a": float(a), "b": float(b)}
    again = expressions.parse(expressions.render(expression))
    assert expressions.evaluate(again, names.get) == expressions.evaluate(expression, names.get)


@given(EXPRESSIONS, st.integers(1, 9), st.integers(1, 9))
def test_the_value_is_what_python_computes(expression, a, b):
    try:
        expected = eval(expressions.render(expression), {"a": float(a), "b": float(b)})
    except ZeroDivisionError:
        expected = None
    assert expressions.evaluate(expression, {"a": float(a), "b": float(b)}.get) == expected


def test_substituting_works_constant_parts_out():
    folded = expressions.substitute(expressions.parse("x * (edge - margin)"), {"edge": 60, "margin": 3})
    assert folded == BinaryOperation("*", Name("x"), Number(57))


def test_substituting_into_a_division_by_zero_is_refused():
    with pytest.raises(ValueError, match="divides by zero"):
        expressions.substitute(expressions.parse("1 / (edge - edge)"), {"edge": 60})
