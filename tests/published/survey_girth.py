"""The girth regression from the rows of the survey: sums, and how often the 90 % interval holds, fold against fold.

    python -m tests.published.survey_girth FILE            prints coverage, and whether the sums that ship are these
    python -m tests.published.survey_girth FILE --write    also writes the sums

FILE is the public data of the survey of 2012 (Gordon et al., NATICK/TR-15/007, 2014) as one CSV with the columns sex (female,
male), age_years, stature_mm, weight_kg and neckcircumference (mm); other columns are passed over. It is not shipped.
"""

from __future__ import annotations

import argparse
import csv
import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

from rules.verification.survey_regression import COLUMNS, SUMS, Fit, Sums, fit, shipped_sums

CITATION = "Gordon et al., NATICK/TR-15/007, 2014 (4,082 men and 1,986 women, 17 to 58 years)"
INTERVAL = 1.645
"""Half-width of a 90 % interval in standard deviations."""
MODELS = {
    "sex alone": COLUMNS[:1],
    "weight": ("one", "weight_kg"),
    "stature, weight": ("one", "height_cm", "weight_kg"),
    "stature, weight, age": ("one", "height_cm", "weight_kg", "age_years"),
    "body mass index": ("one", "body_mass_index"),
}
FOLDS = ("even", "odd")
Row = tuple[Fraction, ...]
"""The columns of X, then the circumference."""


def people(path: Path) -> dict[str, dict[str, list[Row]]]:
    """By sex and fold, the rows of ``path``."""
    found: dict[str, list[Row]] = defaultdict(list)
    with path.open(newline="", encoding="utf-8") as opened:
        for row in csv.DictReader(opened):
            stature = Fraction(row["stature_mm"]) / 10
            weight = Fraction(round(Fraction(row["weight_kg"]) * 10), 10)
            index = Fraction(round(weight / (stature / 100) ** 2 * 10), 10)
            body = (Fraction(1), stature, weight, Fraction(row["age_years"]), index)
            found[row["sex"]].append((*body, Fraction(row["neckcircumference"])))
    return {sex: {fold: rows[start::2] for start, fold in enumerate(FOLDS)} for sex, rows in sorted(found.items())}


def sums_of(rows: Sequence[Row]) -> Sums:
    """The sums of ``rows``."""
    width = range(len(COLUMNS))
    xtx = tuple(tuple(sum((r[i] * r[j] for r in rows), Fraction()) for j in width) for i in width)
    xty = tuple(sum((r[i] * r[-1] for r in rows), Fraction()) for i in width)
    return Sums(len(rows), xtx, xty, sum((r[-1] ** 2 for r in rows), Fraction()))


def covered(rows: Sequence[Row], found: Fit) -> int:
    """How many of ``rows`` have a circumference in the interval of ``found``."""
    named = [(COLUMNS.index(name), value) for name, value in found.coefficients.items()]
    errors = [float(r[-1]) - sum(value * float(r[i]) for i, value in named) for r in rows]
    return sum(abs(error) <= INTERVAL * found.spread for error in errors)


def report(path: Path) -> Iterator[str]:
    """Lines: coverage by sex and model, all and by body mass index, each fold judged by the fit on the other."""
    for sex, folds in people(path).items():
        for model, columns in MODELS.items():
            shares = []
            for low, high in ((0, 200), (0, 30), (30, 35), (35, 200)):
                held = count = 0
                for test, train in (FOLDS, FOLDS[::-1]):
                    rows = [r for r in folds[test] if low <= r[2] / (r[1] / 100) ** 2 < high]
                    held += covered(rows, fit(sums_of(folds[train]), columns))
                    count += len(rows)
                shares.append(f"{held / count:.3f} ({count})" if count else "nobody")
            yield f"{sex:7} {model:22} all {shares[0]}  below 30 {shares[1]}  30 to 35 {shares[2]}  from 35 {shares[3]}"


def as_json(sums: Sums) -> dict[str, Any]:
    """``sums`` with decimals as text, exact."""
    rows = [[_decimal(value) for value in row] for row in sums.xtx]
    return {"n": sums.n, "xtx": rows, "xty": [_decimal(value) for value in sums.xty], "yty": _decimal(sums.yty)}


def _decimal(value: Fraction) -> str:
    shifted = value * 10**4
    if shifted.denominator != 1:
        raise ValueError(f"{value} has more than four decimals")
    whole, part = divmod(int(shifted), 10**4)
    return f"{whole}.{part:04}".rstrip("0").rstrip(".")


def main() -> None:
    """Print, and write where asked to."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    print("\n".join(report(options.file)))
    computed = {
        sex: {name: sums_of(rows) for name, rows in folds.items()} for sex, folds in people(options.file).items()
    }
    if options.write:
        sums = {sex: {name: as_json(one) for name, one in folds.items()} for sex, folds in computed.items()}
        content = {"citation": CITATION, "columns": list(COLUMNS), "y": "neck circumference, mm", "sums": sums}
        SUMS.parent.mkdir(exist_ok=True)
        SUMS.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    print("the sums that ship are those of this file" if computed == shipped_sums() else "THE SUMS THAT SHIP DIFFER")


if __name__ == "__main__":
    main()
