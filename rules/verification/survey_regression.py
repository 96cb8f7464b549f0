"""Least squares from sums alone: the regression behind the girth estimate, computed from the sums of the survey that ship.

The sums (n, X'X, X'y, y'y; by sex, and by fold: even and odd rows within a sex) stand in
``knowledge/surveys/neck_circumference.json`` with their citation. They give coefficients, spread and held-out error exactly,
so the survey itself is not needed; `python -m tests.published.survey_girth FILE` computes the sums anew from its rows.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import sqrt
from pathlib import Path
from typing import Any

SUMS = Path(__file__).parents[1] / "knowledge" / "surveys" / "neck_circumference.json"
COLUMNS = ("one", "height_cm", "weight_kg", "age_years", "body_mass_index")
"""The columns of X, in order (the index in kg/m2, to one decimal, as charts hold it); y is the neck circumference in mm."""


@dataclass(frozen=True)
class Sums:
    """n, X'X, X'y and y'y of one group of people, exact."""

    n: int
    xtx: tuple[tuple[Fraction, ...], ...]
    xty: tuple[Fraction, ...]
    yty: Fraction

    @classmethod
    def read(cls, shape: dict[str, Any]) -> Sums:
        """From their ``shape`` in JSON: ``n``, ``xtx``, ``xty`` and ``yty``, where numbers but ``n`` are decimals as text."""
        rows = tuple(tuple(map(Fraction, row)) for row in shape["xtx"])
        return cls(shape["n"], rows, tuple(map(Fraction, shape["xty"])), Fraction(shape["yty"]))

    def __add__(self, other: Sums) -> Sums:
        """The sums of both groups together."""
        rows = tuple(tuple(a + b for a, b in zip(*pair, strict=True)) for pair in zip(self.xtx, other.xtx, strict=True))
        xty = tuple(a + b for a, b in zip(self.xty, other.xty, strict=True))
        return Sums(self.n + other.n, rows, xty, self.yty + other.yty)


@dataclass(frozen=True)
class Fit:
    """Coefficients by column (mm per unit of the column), and the standard deviation of what is left, in mm."""

    coefficients: dict[str, float]
    spread: float


def shipped_sums() -> dict[str, dict[str, Sums]]:
    """By sex (``female``, ``male``) and fold (``even``, ``odd``)."""
    content = json.loads(SUMS.read_text(encoding="utf-8"))
    return {sex: {fold: Sums.read(shape) for fold, shape in folds.items()} for sex, folds in content["sums"].items()}


def fit(sums: Sums, columns: Sequence[str]) -> Fit:
    """Ordinary least squares of ``sums`` on ``columns`` (among COLUMNS, ``one`` first).

    Raises ValueError where the columns are collinear.
    """
    solved = _coefficients(sums, columns)
    spread = sqrt(_squares_left(sums, columns, solved) / (sums.n - len(columns)))
    return Fit({name: float(value) for name, value in zip(columns, solved, strict=True)}, spread)


def held_out_error(trained_on: Sums, tested_on: Sums, columns: Sequence[str]) -> float:
    """The root of the mean squared error in ``tested_on`` of what was fitted on ``trained_on`` with ``columns``, in mm."""
    return sqrt(_squares_left(tested_on, columns, _coefficients(trained_on, columns)) / tested_on.n)


def _coefficients(sums: Sums, columns: Sequence[str]) -> list[Fraction]:
    at = [COLUMNS.index(name) for name in columns]
    rows = [[*(sums.xtx[i][j] for j in at), sums.xty[i]] for i in at]
    for step in range(len(rows)):
        pivot = next((row for row in range(step, len(rows)) if rows[row][step] != 0), None)
        if pivot is None:
            raise ValueError(f"{', '.join(columns)} are collinear in these sums")
        rows[step], rows[pivot] = rows[pivot], rows[step]
        rows[step] = [value / rows[step][step] for value in rows[step]]
        for other, row in enumerate(rows):
            if other != step:
                rows[other] = [a - row[step] * b for a, b in zip(row, rows[step], strict=True)]
    return [row[-1] for row in rows]


def _squares_left(sums: Sums, columns: Sequence[str], solved: Sequence[Fraction]) -> Fraction:
    """The sum of the squared errors: y'y - 2 b'X'y + b'X'X b."""
    at = [COLUMNS.index(name) for name in columns]
    twice = sum((2 * b * sums.xty[i] for b, i in zip(solved, at, strict=True)), Fraction())
    square = sum(
        (b * c * sums.xtx[i][j] for b, i in zip(solved, at, strict=True) for c, j in zip(solved, at, strict=True)),
        Fraction(),
    )
    return sums.yty - twice + square
