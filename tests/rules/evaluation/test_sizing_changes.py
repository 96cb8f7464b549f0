"""An answer that is tried gives the picture that evaluating everything anew gives."""

from __future__ import annotations

from itertools import combinations

import pytest

from rules.evaluation.hit_policy import choose
from rules.evaluation.information_gain import representatives
from rules.evaluation.interpreter import fire
from rules.evaluation.sizing_changes import SizingChanges
from tests.rules.small import small_ruleset
from tests.rules.small_deciding import deciding_ruleset
from tests.rules.small_fitting import fitting_ruleset

RULESETS = {"small": small_ruleset(), "deciding": deciding_ruleset(), "fitting": fitting_ruleset()}
KNOWN = {
    "small": [
        {},
        {"danger": True, "height_mm": 61.0},
        {"weight_kg": 200.0, "form": "slender"},
        {"length_cm": 100.0, "fingers": 3.0, "girth_mm": 500.0},
        {"weight_kg": 80.0, "length_cm": 200.0},
    ],
    "deciding": [
        {},
        {"weight_kg": 70, "swollen": False},
        {"weight_kg": 390, "lying": True},
        {"threat": True, "age_years": 5},
    ],
    "fitting": [{}, {"missing": True}, {"threat": True, "missing": True}],
}


@pytest.mark.parametrize(("name", "facts"), [(name, facts) for name, several in KNOWN.items() for facts in several])
def test_each_answer_gives_what_evaluating_all_anew_gives(name, facts):
    ruleset = RULESETS[name]
    changes, firing = SizingChanges(ruleset), fire(ruleset, facts)
    given = [one for one in ruleset.vocabulary if ruleset.vocabulary[one].given != "concluded" and one not in facts]
    groups = [*((one,) for one in given), *combinations([one for one in given if ruleset.vocabulary[one].numeric], 2)]
    assert len(groups) > 5
    tried = 0
    for group in groups:
        answers = [{}]
        for one in group:
            values = representatives(ruleset.vocabulary[one], {60.0, 330.0}, 4)
            answers = [{**answer, one: value} for answer in answers for value in values]
        anew = [choose(ruleset, fire(ruleset, {**facts, **answer}).fired).picture for answer in answers]
        # Once worked out, once remembered.
        assert list(changes.pictures(facts, firing, group, answers)) == anew, group
        assert list(changes.pictures(facts, firing, group, answers)) == anew, group
        tried += len(answers)
    assert tried > 10
