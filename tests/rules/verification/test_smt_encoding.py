"""The formulas mean what the plain evaluator, the hit policy and the settled analysis mean, on generated patients."""

import pytest
import z3

from rules.evaluation.hit_policy import choose
from rules.evaluation.information_gain import Sizer
from rules.evaluation.interpreter import fire
from rules.testing.generators import Generator
from rules.verification.smt_encoding import (
    Evaluation,
    OutlookFormulas,
    SizingFormulas,
    all_of,
    any_patient,
    constant,
    plausible,
)
from tests.rules.small import small_ruleset
from tests.shipped_content import RULESET


class Asked:
    """The formulas for any patient of a ruleset, asked about concrete ones."""

    def __init__(self, ruleset):
        self.ruleset = ruleset
        self.patient = any_patient(ruleset.vocabulary, "a")
        self.evaluation = Evaluation(ruleset, self.patient)
        self.sizing = SizingFormulas(self.evaluation)

    def values(self, facts, formulas):
        pairs = []
        for name, known in self.patient.known.items():
            pairs.append((known, z3.BoolVal(name in facts)))
            if name in facts:
                pairs.append((self.patient.value[name], constant(self.ruleset.vocabulary[name], facts[name])))
        # As arguments of one term: what the formulas share is worked out once.
        together = z3.Function("together", *(formula.sort() for formula in formulas), z3.BoolSort())
        done = z3.simplify(z3.substitute(together(*formulas), *pairs))
        return [z3.is_true(done.arg(place)) for place in range(len(formulas))]


def patients(ruleset, count):
    return list(Generator(ruleset, seed=7).patients(count))


DANGERS = """
- {id: small.unsure, title: unsure, when: {unless_known_not: {fact: danger, is: true}}, because: b, sources: [s],
   then: {size: {axis: girth, value: H, basis: measured}}}
- {id: small.sure, title: sure, because: b, sources: [s], then: {size: {axis: girth, value: G, basis: measured}},
   when: {none: [{unless_known_not: {fact: score, at_most: 12}}, {unless_known_not: {fact: form, one_of: [average, broad]}}]}}
- {id: small.may_be_low, title: may be low, when: {unless_known_not: {fact: low_mm, below: edge_mm}}, because: b,
   sources: [s], then: {hold: {kind: cannot_size, text: "Low?"}}}
"""


@pytest.fixture(scope="module", params=["shipped", "small", "dangers"])
def asked(request):
    if request.param == "shipped":
        return Asked(RULESET)
    return Asked(small_ruleset(adding=DANGERS if request.param == "dangers" else ""))


def test_a_generated_patient_is_plausible_and_fires_the_same_rules(asked):
    ruleset = asked.ruleset
    people = list(patients(ruleset, 25))
    assert len(people) == 25
    for facts in people:
        held = [plausible(ruleset.vocabulary[name], asked.patient.value[name]) for name in facts]
        is_plausible, *fires = asked.values(
            facts, [all_of(held), *(asked.evaluation.fires[name] for name in ruleset.rules)]
        )
        assert is_plausible and ruleset.vocabulary.check(facts) == facts
        fired = {rule.id for rule in fire(ruleset, facts).fired}
        found = dict(zip(ruleset.rules, fires, strict=True))
        assert {name for name, true in found.items() if true} == fired, facts


def test_what_is_known_at_the_end_is_the_same(asked):
    names = list(asked.ruleset.vocabulary)
    people = list(patients(asked.ruleset, 25))
    assert len(people) == 25
    for facts in people:
        known = asked.values(facts, [asked.evaluation.known[name] for name in names])
        assert {name for name, true in zip(names, known, strict=True) if true} == set(fire(asked.ruleset, facts).facts)


def test_the_hit_policy_is_the_same(asked):
    people = list(patients(asked.ruleset, 25))
    assert len(people) == 25
    for facts in people:
        sizing = choose(asked.ruleset, fire(asked.ruleset, facts).fired)
        assert asked.values(facts, [asked.sizing.withheld]) == [sizing.withheld]
        for name, axis in asked.sizing.axes.items():
            values = axis.axis.values
            candidates = asked.values(facts, [axis.candidate[value] for value in values])
            first = asked.values(facts, [axis.first[value] for value in values])
            found = {v for v, true in zip(values, candidates, strict=True) if true}
            assert found == set(sizing.axes[name].candidates)
            assert tuple(v for v, true in zip(values, first, strict=True) if true) == sizing.axes[name].candidates[:1]


def test_settled_is_the_same(asked):
    sizer = Sizer(asked.ruleset)
    part = Asked(sizer.ruleset)
    outlook = OutlookFormulas(part.evaluation, part.sizing)
    seen = set()
    for facts in patients(asked.ruleset, 50):
        prospects = sizer.prospects(facts, rank=False)
        formulas = [outlook.settled, *(outlook.settled_axes[name] for name in asked.ruleset.axes)]
        expected = [prospects.settled, *(prospects.settled_axes[name] for name in asked.ruleset.axes)]
        assert part.values(facts, formulas) == expected, facts
        seen.add(prospects.settled)
    assert seen == {True, False}
