"""Braden Scale: Bergstrom et al., Nurs Res 1987;36:205-210 (6 to 23). At risk at 18 or less: Nurs Res 1998;47:261-269.

Bands: the public form of the scale. Another grouping (16-18, 13-15, 12 or less) is in use, so that a score of 15 can differ.
"""

import pytest

from rules.errors import FactError
from rules.evaluation.interpreter import fire
from tests.shipped_content import RULESET

BANDS = {
    "severe": range(6, 10),
    "high": range(10, 13),
    "moderate": range(13, 15),
    "mild": range(15, 19),
    "not_at_risk": range(19, 24),
}


@pytest.mark.parametrize(("score", "band"), [(score, band) for band, scores in BANDS.items() for score in scores])
def test_every_score_falls_into_its_published_band(score, band):
    assert fire(RULESET, {"braden_score": score}).facts["braden_band"] == band


@pytest.mark.parametrize("score", [5, 24])
def test_scores_outside_the_scale_are_refused(score):
    with pytest.raises(FactError, match="accepted: a whole number from 6 to 23"):
        RULESET.vocabulary.check({"braden_score": score})


def test_the_scale_is_covered_from_end_to_end():
    assert sorted(score for scores in BANDS.values() for score in scores) == list(range(6, 24))
