"""Published measures through the rules: the inch, the circumference of necks in a survey, the back of young children."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET, Plain(RULESET))
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
GIRTHS = RULESET.axes["girth_band"].values


def girths(circumference_mm: float) -> tuple[str, ...]:
    facts = {"age_years": 40, "neck_circumference_mm": circumference_mm}
    return DECIDER.decide(facts, AT).axes["girth_band"].candidates


# --- the inch: 25.4 mm exactly (NIST Special Publication 811) --------------------------------------------------------


def test_25_inches_is_the_edge_of_the_widest_band():
    """Common practice, no source: 25 in or more needs the widest. NIST SP 811: 1 in = 25.4 mm exactly."""
    edge = 25 * 25.4
    assert RULESET.number("girth_edge_g4_mm") == edge == 635
    assert girths(edge) == ("G4",)
    assert girths(edge - 0.1) == ("G3", "G4")


@pytest.mark.parametrize("inches", [25, 25.5, 30])
def test_no_narrower_band_is_offered_from_25_inches_on(inches):
    assert girths(inches * 25.4) == ("G4",)


def test_three_feet_is_the_published_fall():
    """Stiell et al. 2001: 3 ft. NIST SP 811: 1 ft = 12 in."""
    assert RULESET.number("dangerous_fall_m") == pytest.approx(3 * 12 * 25.4 / 1000, abs=1e-12)


# --- 2012 U.S. Army survey (ANSUR II; Gordon et al., NATICK/TR-15/007, 2014) -----------------------------------------
# Neck circumference in mm, computed from the public data: 1,986 women and 4,082 men.

SURVEY = {
    "female": {
        "min": 275,
        "p1": 291,
        "p5": 302,
        "p25": 316,
        "p50": 328,
        "p75": 342,
        "p95": 363,
        "p99": 384,
        "max": 424,
    },
    "male": {"min": 311, "p1": 346, "p5": 360, "p25": 379, "p50": 395, "p75": 414, "p95": 443, "p99": 467, "max": 514},
}
FIRST = {
    "female": {
        "min": "G1",
        "p1": "G1",
        "p5": "G1",
        "p25": "G1",
        "p50": "G1",
        "p75": "G2",
        "p95": "G2",
        "p99": "G2",
        "max": "G2",
    },
    "male": {
        "min": "G1",
        "p1": "G2",
        "p5": "G2",
        "p25": "G2",
        "p50": "G2",
        "p75": "G2",
        "p95": "G3",
        "p99": "G3",
        "max": "G3",
    },
}


@pytest.mark.parametrize("sex", SURVEY)
def test_percentiles_of_the_survey_in_the_girth_bands(sex):
    """Worked by hand from the edges 330, 430 and 635 mm and 8 mm of uncertainty, smaller band first."""
    assert {name: girths(value)[0] for name, value in SURVEY[sex].items()} == FIRST[sex]


@pytest.mark.parametrize("sex", SURVEY)
def test_the_bands_rise_with_the_percentiles(sex):
    ranks = [GIRTHS.index(girths(value)[0]) for value in SURVEY[sex].values()]
    assert ranks == sorted(ranks)


@pytest.mark.parametrize("sex", SURVEY)
def test_nobody_of_the_survey_needs_the_widest_band(sex):
    assert "G4" not in girths(SURVEY[sex]["max"])


@pytest.mark.parametrize("sex", SURVEY)
def test_the_start_for_an_unmeasured_neck_holds_most_of_the_survey(sex):
    """From the 5th to the 95th percentile a band that is a candidate for the measured neck is one for the unmeasured neck."""
    started = DECIDER.decide({"age_years": 40, "sex": sex}, AT).axes["girth_band"].candidates
    for name in ("p5", "p25", "p50", "p75", "p95"):
        assert set(girths(SURVEY[sex][name])) & set(started), name


@pytest.mark.parametrize(
    ("circumference", "lines"),
    [(266, ("adolescent",)), (275, ("adolescent", "adult")), (283, ("adult",))],
)
def test_below_the_smallest_adult_of_the_survey_the_adult_line_ends(circumference, lines):
    """275 mm is the least of the survey; within 8 mm of it, the uncertainty of the tape, both lines are tried."""
    facts = {"age_years": 40, "neck_circumference_mm": circumference}
    assert DECIDER.decide(facts, AT).axes["line"].candidates == lines


# --- the back of young children (Nypaver and Treloar, Ann Emerg Med 1994;23:208-211) ---------------------------------


def raised(facts: dict) -> str | None:
    tasks = {task.task: task for task in DECIDER.decide(facts, AT).tasks}
    return " ".join(tasks["raise_back"].details) if "raise_back" in tasks else None


@pytest.mark.parametrize(
    ("age", "mean", "band", "deviation"),
    [
        (0.3, 27, "youngest", 7.2),
        (1, 27, "youngest", 7.2),
        (3.9, 27, "youngest", 7.2),
        (4, 22, "older", 4.2),
        (6, 22, "older", 4.2),
        (7.9, 22, "older", 4.2),
    ],
)
def test_how_far_the_back_is_raised_by_age(age, mean, band, deviation):
    """Under 4 years 27 +/- 7.2 mm, from 4 to under 8 years 22 +/- 4.2 mm; said in whole millimetres."""
    assert f"by about {mean:g} mm" in (raised({"age_years": age}) or "")
    assert RULESET.number(f"back_raise_{band}_spread_mm") == deviation


def test_the_value_of_all_ages_where_the_age_is_only_seen():
    """All children under 8 years: 25.4 +/- 6.7 mm; said in whole millimetres."""
    assert "by about 25 mm" in (raised({"apparent_age_group": "young_child"}) or "")
    assert RULESET.number("back_raise_any_age_mm") == 25.4
    assert RULESET.number("back_raise_any_age_spread_mm") == 6.7


@pytest.mark.parametrize("age", [8, 12, 40])
def test_from_8_years_on_the_back_is_not_raised(age):
    assert raised({"age_years": age, "lying_flat": True}) is None


def test_every_value_lies_in_the_range_that_was_seen():
    """5 to 41 mm were seen in single children."""
    for name in ("youngest", "older", "any_age"):
        mean, spread = (RULESET.number(f"back_raise_{name}{part}_mm") for part in ("", "_spread"))
        assert mean - spread >= 5 and mean + spread <= 41
