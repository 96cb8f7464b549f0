"""The girth regression against the survey: Gordon et al., NATICK/TR-15/007, 2014 (public data), by the sums that ship.

The rows are not shipped; `python -m tests.published.survey_girth FILE` computes the sums and the coverage from them.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from statistics import NormalDist

import pytest

from rules.deciding.band_probability import share_in_words
from rules.deciding.decider import Decider
from rules.evaluation.hit_policy import choose
from rules.evaluation.interpreter import fire
from rules.verification.survey_regression import COLUMNS, SUMS, Fit, Sums, fit, held_out_error, shipped_sums
from tests.published import survey_girth
from tests.shipped_content import RULESET

SHIPPED = shipped_sums()
WHOLE = {sex: folds["even"] + folds["odd"] for sex, folds in SHIPPED.items()}
MODELS = {
    "by_body": COLUMNS[:4],
    "by_size": COLUMNS[:3],
    "by_weight": ("one", "weight_kg"),
    "by_index": ("one", "body_mass_index"),
    "by_sex": ("one",),
}
KEYS = {
    "one": "base_mm",
    "height_cm": "per_cm",
    "weight_kg": "per_kg",
    "age_years": "per_year",
    "body_mass_index": "per_kg_m2",
}
GROUPS = {"female": "women", "male": "men"}


def shipped(sex: str, model: str, key: str) -> float:
    value = RULESET.parameters[f"girth_{GROUPS[sex]}_{model}_{key}"].value
    assert isinstance(value, (int, float))
    return value


@pytest.mark.parametrize(("sex", "n", "mean", "sd"), [("female", 1986, 329.8, 19.2), ("male", 4082, 397.6, 25.8)])
def test_the_sums_are_of_the_survey(sex: str, n: int, mean: float, sd: float) -> None:
    # n, mean and standard deviation of neck circumference as computed from the public files.
    assert WHOLE[sex].n == n
    found = fit(WHOLE[sex], ("one",))
    assert found.coefficients["one"] == pytest.approx(mean, abs=0.06)
    assert found.spread == pytest.approx(sd, abs=0.06)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("sex", GROUPS)
def test_the_coefficients_in_use_are_those_of_the_sums(sex: str, model: str) -> None:
    found = fit(WHOLE[sex], MODELS[model])
    for name, value in found.coefficients.items():
        digits = 0.005 if name == "one" else 0.00005
        assert shipped(sex, model, KEYS[name]) == pytest.approx(value, abs=digits + 1e-9)
    assert shipped(sex, model, "spread_mm") == pytest.approx(found.spread, abs=0.005 + 1e-9)


@pytest.mark.parametrize("sex", GROUPS)
def test_what_was_fitted_on_one_half_errs_no_more_on_the_other(sex: str) -> None:
    even, odd = SHIPPED[sex]["even"], SHIPPED[sex]["odd"]
    for trained_on, tested_on in ((even, odd), (odd, even)):
        error = held_out_error(trained_on, tested_on, COLUMNS)
        assert error == pytest.approx(fit(trained_on, COLUMNS).spread, rel=0.1)
        assert error < 0.7 * held_out_error(trained_on, tested_on, ("one",))


def test_least_squares_agree_with_a_reference_library() -> None:
    numpy = pytest.importorskip("numpy")
    random = numpy.random.default_rng(3)
    x = numpy.column_stack([numpy.ones(40), *(random.integers(100, 900, 40) / 10 for _ in COLUMNS[1:])])
    y = random.integers(2500, 5000, 40) / 10
    rows = [tuple(map(survey_girth.Fraction, map(str, (*row, target)))) for row, target in zip(x, y, strict=True)]
    expected, squares, *_ = numpy.linalg.lstsq(x, y, rcond=None)
    found = fit(survey_girth.sums_of(rows), COLUMNS)
    assert list(found.coefficients.values()) == pytest.approx(list(expected))
    assert found.spread == pytest.approx(float((squares[0] / (40 - len(COLUMNS))) ** 0.5))


def test_collinear_columns_are_refused() -> None:
    rows = [tuple(map(survey_girth.Fraction, (1, 170, 80, 40, 28, girth))) for girth in (380, 390, 400)]
    with pytest.raises(ValueError, match="collinear"):
        fit(survey_girth.sums_of(rows), COLUMNS)


@pytest.mark.parametrize(
    ("facts", "expected"),
    [
        # Values worked out from the whole survey, sex by sex.
        ({"sex": "male", "age_years": 45, "height_cm": 178, "weight_kg": 90}, 407.1),
        ({"sex": "female", "age_years": 45, "height_cm": 165, "weight_kg": 65}, 328.1),
        # The youngest of the survey were 17: 393.59 - 0.7931 * 178 + 1.5743 * 75 + 0.2888 * 17 by the coefficients above.
        ({"sex": "male", "age_years": 17, "height_cm": 178, "weight_kg": 75}, 375.4),
        # The 43 women of the survey with an index from 33 to 35 measured 367 mm at the mean, none below 330.
        ({"sex": "female", "age_years": 52, "body_mass_index": 34.9}, 367.7),
    ],
)
def test_people_of_the_survey_are_estimated(facts: dict[str, object], expected: float) -> None:
    assert fire(RULESET, facts).facts["girth_estimate_mm"] == pytest.approx(expected, abs=0.1)


def test_each_candidate_has_the_share_of_the_normal_distribution_that_lies_in_its_band() -> None:
    decision = Decider(RULESET).decide(
        {"sex": "male", "age_years": 45, "height_cm": 178, "weight_kg": 90, "neck_height_mm": 66},
        datetime(2026, 1, 31, tzinfo=UTC),
    )
    share = NormalDist(407.1, 14.65).cdf(430) - NormalDist(407.1, 14.65).cdf(330)
    girth = decision.axes["girth_band"]
    assert girth.candidates == ("G2", "G3")
    assert girth.probabilities == {"G2": round(share, 2), "G3": round(1 - share, 2)}
    assert [option.probability for option in decision.candidates] == list(girth.probabilities.values())
    assert "about 94 of 100" in decision.candidates[0].why


def test_the_narrowest_band_has_its_share_too_where_it_comes_first() -> None:
    facts = {"sex": "female", "age_years": 30, "height_cm": 165, "weight_kg": 60, "neck_height_mm": 66}
    girth = Decider(RULESET).decide(facts, datetime(2026, 1, 31, tzinfo=UTC)).axes["girth_band"]
    share = NormalDist(318.0, 12.08).cdf(330)  # 296.87 - 0.4304 * 165 + 1.4343 * 60 + 0.2014 * 30, and its spread
    assert girth.probabilities == {"G1": pytest.approx(share, abs=0.006), "G2": pytest.approx(1 - share, abs=0.006)}


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (1.0, "nearly all such people"),
        (0.99, "about 99 of 100"),
        (0.5, "about 50 of 100"),
        (0.01, "about 1 of 100"),
        (0.0, "hardly any such people"),
    ],
)
def test_a_share_reads_as_people(share: float, words: str) -> None:
    assert share_in_words(share).startswith(words)


@pytest.mark.parametrize(
    "facts", [{"neck_circumference_mm": 400}, {"body_mass_index": 36}, {"habitus": "slight"}, {"sex": "unknown"}]
)
def test_no_probability_where_nothing_is_estimated(facts: dict[str, object]) -> None:
    given = {"sex": "male", "age_years": 45, **facts}
    decision = Decider(RULESET).decide(given, datetime(2026, 1, 31, tzinfo=UTC))
    assert decision.axes["girth_band"].probabilities == {}
    assert {option.probability for option in decision.candidates} == {None}


@pytest.mark.parametrize("sex", GROUPS)
@pytest.mark.parametrize("index", [35, 40, 60])
def test_from_an_index_of_35_on_the_girth_is_not_estimated(sex: str, index: float) -> None:
    # In the survey all 19 such women and 56 of 187 such men lay in G2, the other men in G3, nobody in G4.
    firing = fire(RULESET, {"sex": sex, "age_years": 45, "body_mass_index": index, "weight_kg": 110, "height_cm": 170})
    assert "girth_estimate_mm" not in firing.facts
    found = choose(RULESET, firing.fired).axes["girth_band"].candidates
    assert found == (("G2", "G3") if sex == "female" else ("G3", "G2"))


def test_sums_and_coverage_are_computed_from_rows(tmp_path, capsys, monkeypatch) -> None:
    rows = ["sex,age_years,stature_mm,weight_kg,neckcircumference"]
    for sex, base in (("female", 300), ("male", 350)):
        for n in range(24):
            weight, stature, age = 50 + 2 * n, 1600 + 17 * (n * n % 13), 18 + n * 5 % 40
            rows.append(f"{sex},{age},{stature},{weight}.4,{base + weight + n % 3}")
    path = tmp_path / "rows.csv"
    path.write_text("\n".join(rows))
    monkeypatch.setattr("sys.argv", ["survey_girth", str(path)])
    survey_girth.main()
    said = capsys.readouterr().out
    assert "THE SUMS THAT SHIP DIFFER" in said
    assert len(said.splitlines()) == 1 + 2 * len(survey_girth.MODELS)
    found = survey_girth.people(path)
    assert Sums.read(survey_girth.as_json(survey_girth.sums_of(found["male"]["even"]))).n == 12


def test_those_in_the_interval_are_counted() -> None:
    rows = [tuple(map(survey_girth.Fraction, (1, 170, 80, 40, 28, girth))) for girth in (380, 400, 400, 430)]
    assert survey_girth.covered(rows, Fit({"one": 400}, 15)) == 3


def test_the_sums_name_their_source() -> None:
    content = json.loads(SUMS.read_text(encoding="utf-8"))
    assert content["citation"] == survey_girth.CITATION
    assert content["columns"] == list(COLUMNS)
