"""Durations in words: the same on every surface, and never so rounded that the reader is misled."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.model.durations import deadline_words, duration_words
from rules.model.quantity_words import quantity_words

HOURS = {"minute": 1 / 60, "hour": 1, "day": 24, "week": 168, "month": 24 * 365.25 / 12, "year": 24 * 365.25}
"""Hours in each unit; a year of 365.25 days is UCUM's ``a_j``, a month a twelfth of it (``mo_j``), ucum.org section 4.3."""
ROOT = Path(__file__).parents[3]


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.5, "30 minutes"),
        (1, "1 hour"),
        (1.5, "1.5 hours"),
        (48, "48 hours"),
        (60, "2.5 days"),
        (72, "3 days"),
        (100, "4 days"),
        (336, "2 weeks"),
        (720, "30 days"),
        (2160, "90 days"),
        (7236, "10 months"),
        (8760, "1 year"),
        (24 * 800, "2 years"),
    ],
)
def test_hours_then_days_weeks_months_years(hours, words):
    assert duration_words(hours) == words


@given(st.floats(1, 24 * 365 * 40))
def test_the_words_are_near_the_truth_and_the_number_is_short(hours):
    number, unit = re.fullmatch(r"(\d+(?:\.\d)?) ([a-z]+?)s?", duration_words(hours)).groups()
    assert abs(float(number) * HOURS[unit] - hours) <= max(0.13 * hours, 0.05)
    assert float(number) <= 90


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.71, "42 minutes"),
        (24 - 23.8, "12 minutes"),
        (1, "1 hour"),
        (1.9, "1.5 hours"),
        (2.9, "2 hours"),
        (22.2, "22 hours"),
        (47.9, "47 hours"),
        (60, "48 hours"),
        (83, "3 days"),
        (336, "2 weeks"),
        (24 * 100, "14 weeks"),
    ],
)
def test_a_deadline_is_said_in_whole_hours(hours, words):
    assert deadline_words(hours) == words


@given(st.floats(1 / 60, 24 * 365 * 40))
def test_no_deadline_is_said_later_than_it_is_or_much_sooner(hours):
    number, unit = deadline_words(hours).removesuffix("s").split()
    assert 0.45 * hours <= float(number) * HOURS[unit] <= hours + 1e-6


@given(st.integers(1, 90))
def test_whole_days_are_exact(days):
    number, unit = duration_words(days * 24).split()
    assert float(number) * HOURS[unit.removesuffix("s")] == days * 24


def test_a_number_that_a_site_sets_stays_in_hours_beside_the_words():
    assert quantity_words(2160.0, "h") == "2160 hours (90 days)"
    assert quantity_words(24.0, "h") == "24 hours"
    assert quantity_words(8, "{score}") == "8 points"
    assert quantity_words(True, None) == "yes"


def _numbers_of_hours(source: str) -> Iterator[str]:
    """The f-strings of ``source`` in which a value is followed by hours or days."""
    for node in ast.walk(ast.parse(source)):
        for one, after in pairwise(node.values if isinstance(node, ast.JoinedStr) else ()):
            formatted = isinstance(one, ast.FormattedValue) and isinstance(after, ast.Constant)
            if formatted and re.match(r" ?(h|hours?|days?)\b(?! *[=(])", str(after.value)):
                yield ast.unparse(node)


@pytest.mark.tree
def test_no_text_is_put_together_with_hours_of_its_own():
    """Every text with a number of hours in it comes from ``duration_words``: none is formatted in place."""
    assert list(_numbers_of_hours("f'{age:.0f} h old'")) == ["f'{age:.0f} h old'"]
    sources = [*ROOT.glob("rules/**/*.py"), *ROOT.glob("cds/**/*.py")]
    assert len(sources) > 300
    assert {path: found for path in sources if (found := [*_numbers_of_hours(path.read_text("utf-8"))])} == {}
