"""Generated patients are plausible, repeatable, and reach thresholds."""

from rules.testing.generators import Generator
from tests.rules.small import small_ruleset
from tests.shipped_content import RULESET


def test_patients_are_plausible_and_the_same_for_the_same_seed():
    first, again, other = (list(Generator(RULESET, seed).patients(60)) for seed in (1, 1, 2))
    assert first == again != other
    for facts in first:
        assert RULESET.vocabulary.check(facts) == facts


def test_thresholds_and_every_amount_of_knowledge_are_met():
    patients = list(Generator(small_ruleset(), 0).patients(2000))
    heights = [facts["height_mm"] for facts in patients if "height_mm" in facts]
    assert {57.0, 63.0} <= set(heights)
    assert min(heights) == 5 and max(heights) == 200
    assert {len(facts) for facts in patients} >= {0, 1, 5, 10}
