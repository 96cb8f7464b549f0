"""Glasgow Coma Scale: Teasdale and Jennett, Lancet 1974;304:81-84 (five motor levels, no total).

Six motor levels, and so totals from 3 to 15: Acta Neurochir 1976;34:45-55, from memory.

That 8 or less is commonly called coma is recalled from memory.
"""

import pytest

from rules.errors import FactError
from rules.evaluation.interpreter import fire
from tests.shipped_content import RULESET


@pytest.mark.parametrize("score", range(3, 16))
def test_every_total_of_the_scale_is_taken(score):
    assert RULESET.vocabulary.check({"glasgow_coma_score": score}) == {"glasgow_coma_score": score}


@pytest.mark.parametrize("score", [2, 16, 14.5])
def test_totals_outside_the_scale_are_refused(score):
    with pytest.raises(FactError, match="accepted: a whole number from 3 to 15"):
        RULESET.vocabulary.check({"glasgow_coma_score": score})


@pytest.mark.parametrize("score", range(3, 16))
def test_a_patient_in_coma_cannot_report(score):
    assert ("cannot_report" in fire(RULESET, {"glasgow_coma_score": score}).facts) == (score <= 8)
