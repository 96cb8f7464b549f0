"""Each property holds for the shipped knowledge and fails on a ruleset broken for it, with a patient who shows it."""

import pytest
import yaml
import z3

from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.evaluation.outlook import Outlook
from rules.loading.yaml_reader import YamlFile
from rules.testing.cases import read_cases, run_case
from rules.verification import prover
from rules.verification.invariants import load_claims, read_claims
from rules.verification.properties import SettledStays
from rules.verification.prover import as_case, every_rule_can_fire, properties, prove, verify
from rules.verification.smt_encoding import facts_of
from tests.rules.small import FRAME, small_ruleset
from tests.shipped_content import RULESET

CLAIMS = """
claims:
  - {id: band-rises, says: rises, rising: {axis: band, fact: height_mm}}
  - {id: band-rises-with-fingers, says: rises, rising: {axis: band, fact: fingers}}
  - id: look
    says: no risk makes looking rarer
    never_slower: {task: look, risks: [{fact: asleep, worse: true}, {fact: score, worse: lower}, {fact: form, worse: [broad]}]}
  - {id: wider, says: a larger error stays withheld, stays_withheld: {fact: girth_mm, further: higher}}
  - {id: narrower, says: a larger error stays withheld, stays_withheld: {fact: girth_mm, further: lower}}
  - {id: danger, says: nobody in danger is sized, where: {fact: danger, is: true}, no_size: true}
"""


def verdicts(ruleset):
    claims = read_claims(ruleset, [YamlFile("claims/small.yaml", CLAIMS)])
    return {verdict.id: verdict for verdict in verify(ruleset, claims)}


def checks(ruleset):
    claims = read_claims(ruleset, [YamlFile("claims/small.yaml", CLAIMS)])
    return {prop.id: prop for prop in properties(ruleset, claims)}


def test_everything_is_proved_of_the_shipped_knowledge():
    found = list(verify(RULESET, load_claims(RULESET)))
    assert {verdict.id: (verdict.status, verdict.counterexamples, verdict.unreachable) for verdict in found} == {
        verdict.id: ("proved", (), ()) for verdict in found
    }


def test_everything_is_proved_of_the_small_ruleset():
    assert {name: verdict.status for name, verdict in verdicts(small_ruleset()).items()} == {
        "complete": "proved",
        "no-contradiction": "proved",
        "no-size-against-a-warning": "proved",
        "dangers-are-said": "proved",
        "people-as-named": "proved",
        "need-before-size": "proved",
        "stop-before-correction": "proved",
        "airway-first": "proved",
        "nothing-opened": "proved",
        "one-word": "proved",
        "within-the-line": "proved",
        "settled-stays": "proved",
        "band-rises": "proved",
        "band-rises-with-fingers": "proved",
        "look:asleep": "proved",
        "look:score": "proved",
        "look:form": "proved",
        "wider": "proved",
        "narrower": "proved",
        "danger": "proved",
        "every-rule-can-fire": "proved",
    }


def rule(name, when, then, extra=""):
    return f"- {{id: small.{name}, title: {name}, {extra} when: {when}, because: b, sources: [s], then: {then}}}\n"


BROKEN = {
    "no value on an axis": ("complete", "girth", {"without": ("small.girth_unknown",)}),
    "no value, and unknown is not no": ("complete", "girth", {"without": ("small.girth_small",)}),
    "two values for one conclusion": (
        "no-contradiction",
        "conclude:small:small.small:small.x",
        {"adding": rule("x", "{fact: danger, is: true}", "{conclude: {small: false}}")},
    ),
    "two computed values": (
        "no-contradiction",
        "conclude:index:small.index:small.x",
        {
            "adding": rule(
                "x", "{all: [{known: weight_kg}, {known: length_cm}]}", "{conclude: {index: weight_kg / 3}}"
            )
        },
    ),
    "two performers": (
        "no-contradiction",
        "perform:look:small.x:small.y",
        {
            "adding": rule("x", "{fact: danger, is: true}", "{tasks: {task: look, performer: nurse}}")
            + rule("y", "{fact: asleep, is: true}", "{tasks: {task: look, performer: fitter}}")
        },
    ),
    "candidates with a gap": (
        "no-contradiction",
        "gap:band",
        {"adding": rule("x", "{fact: height_mm, below: 30}", "{size: {axis: band, value: C, basis: measured}}")},
    ),
    "a warning beside a size": (
        "no-size-against-a-warning",
        "small.x",
        {
            "adding": rule(
                "x", "{fact: asleep, is: true}", '{caution: {severity: critical, text: "Leave the collar off."}}'
            )
        },
    ),
    "a hold's warning repeated without the hold": (
        "no-size-against-a-warning",
        "small.x",
        {
            "adding": rule(
                "x", "{fact: asleep, is: true}", '{caution: {severity: critical, text: "Danger: put no collar on."}}'
            )
        },
    ),
    "a danger that nothing says in words that are known": (
        "danger",
        "size",
        {
            "without": ("small.danger",),
            "adding": rule("x", "{fact: danger, is: true}", '{caution: {severity: critical, text: "It comes off."}}'),
        },
    ),
    "a taller neck in a lower band": (
        "band-rises",
        "band",
        {"adding": rule("x", "{fact: height_mm, above: 150}", "{size: {axis: band, value: A, basis: measured}}")},
    ),
    "more fingers in a lower band": (
        "band-rises-with-fingers",
        "band",
        {
            "adding": rule(
                "x", "{fact: low_mm, above: 150}", "{size: {axis: band, value: A, basis: measured}}", "priority: 3,"
            )
        },
    ),
    "a larger error that escapes a hold": (
        "wider",
        "size",
        {"adding": rule("x", "{fact: girth_mm, at_least: 700, below: 800}", "{hold: {kind: cannot_size, text: Look.}}")},
    ),
    "a smaller value that escapes a hold": (
        "narrower",
        "size",
        {"adding": rule("x", "{fact: girth_mm, at_least: 120, below: 140}", "{hold: {kind: cannot_size, text: Look.}}")},
    ),
    "a risk that forgets the task": (
        "look:asleep",
        "asked",
        {"without": ("small.look", "small.look_often"), "adding": rule("x", "{fact: asleep, is: false}", "{tasks: {task: look}}")},
    ),
    "a risk that lengthens the interval": (
        "look:asleep",
        "interval",
        {"adding": rule("x", "{fact: asleep, is: false}", "{tasks: {task: look, every_hours: 3}}")},
    ),
    "a risk that moves the deadline": (
        "look:form",
        "deadline",
        {"adding": rule("x", "{fact: form, is: slender}", "{tasks: {task: look, within_hours: 0}}")},
    ),
    "a worse score that lengthens the interval": (
        "look:score",
        "interval",
        {"adding": rule("x", "{fact: score, at_least: 20}", "{tasks: {task: look, every_hours: 1}}")},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_ruleset_fails_with_a_patient_who_shows_it(name):
    prop, label, change = BROKEN[name]
    ruleset = small_ruleset(**change)
    verdict = prove(checks(ruleset)[prop])
    assert verdict.status == "failed"
    shown = {example.label: example for example in verdict.counterexamples}
    assert label in shown
    example = shown[label]
    for facts in example.patients:
        assert ruleset.vocabulary.check(facts) == facts
    assert label in checks(ruleset)[prop].check(*example.patients)
    # and the same patients are in order under the ruleset that is not broken
    assert label not in checks(small_ruleset())[prop].check(*example.patients)


def test_a_counterexample_is_small_and_round():
    prop, label, change = BROKEN["two computed values"]
    verdict = prove(checks(small_ruleset(**change))[prop])
    (example,) = [example for example in verdict.counterexamples if example.label == label]
    (facts,) = example.patients
    assert set(facts) == {"weight_kg", "length_cm"}
    assert all(value == round(value) for value in facts.values())


def test_a_counterexample_is_ready_to_save_as_a_case():
    prop, _, change = BROKEN["a warning beside a size"]
    ruleset = small_ruleset(**change)
    verdict = prove(checks(ruleset)[prop])
    text = as_case(ruleset, verdict, verdict.counterexamples[0])
    assert yaml.safe_load(text)["cases"][0]["facts"] == {"asleep": True}
    (case,) = read_cases(ruleset, [YamlFile("cases/found.yaml", text)])
    assert run_case(Decider(ruleset), case).passed


def test_settled_fails_where_the_analysis_is_wrong(monkeypatch):
    """A settled analysis that overlooks an open fact is caught by both statements of the property."""
    monkeypatch.setattr(
        "rules.verification.smt_encoding.OutlookFormulas._undecided", lambda self, rule: z3.BoolVal(False)
    )
    monkeypatch.setattr(Outlook, "undecided", frozenset())
    verdict = prove(SettledStays(small_ruleset()))
    assert verdict.status == "failed"
    before, later = verdict.counterexamples[0].patients
    assert before.items() < later.items()
    assert {example.label for example in verdict.counterexamples} >= {"size"}


def test_a_claim_speaks_only_of_the_patients_that_it_names():
    ruleset = small_ruleset(**BROKEN["a risk that lengthens the interval"][2])
    text = """claims:
      - {id: a, says: b, where: {unknown: asleep}, never_slower: {task: look, risks: [{fact: asleep, worse: true}]}}
      - {id: c, says: d, where: {fact: danger, is: true}, never_slower: {task: look, risks: [{fact: asleep, worse: true}]}}"""
    nobody, endangered, *_ = [
        prop for prop in properties(ruleset, read_claims(ruleset, [YamlFile("claims/x.yaml", text)])) if ":" in prop.id
    ]
    assert prove(nobody).status == "proved"
    (example,) = prove(endangered).counterexamples
    assert [facts["danger"] for facts in example.patients] == [True, True]


@pytest.mark.parametrize(
    ("when", "culprits"),
    [
        ("{fact: height_mm, above: 200}", ("height_mm > 200",)),
        ("{all: [{fact: height_mm, above: 90}, {fact: height_mm, below: 80}]}", ("height_mm > 90", "height_mm < 80")),
        ("{all: [{unknown: small}, {fact: form, is: slender}]}", ("small is unknown", "form is slender")),
        ("{fact: small, is: false}", ("small is false",)),
        ("{all: [{fact: index, above: 100}, {fact: weight_kg, below: 1.5}, {unknown: height_mm}, {none: [{unknown: height_mm}]}]}",
         ("height_mm is unknown", "none of (height_mm is unknown)")),
        ("{fact: score, is: 7.5}", ("score is 7.5",)),
        ("{all: [{fact: score, above: 8}, {fact: score, below: 9}]}", ("score > 8", "score < 9")),
    ],
)  # fmt: skip
def test_a_rule_that_never_fires_is_found_with_what_stands_in_its_way(when, culprits):
    ruleset = small_ruleset(adding=rule("x", when, "{size: {axis: girth, value: G, basis: assumed}}"))
    verdict = every_rule_can_fire(ruleset)
    assert [(found.rule, found.without) for found in verdict.unreachable] == [("small.x", culprits)]


def test_an_index_that_no_body_has_is_unreachable_by_exact_arithmetic():
    """index > 100 needs weight > 100 * length^2 in metres: with at least 2 m that is 400 kg, the top of the range."""
    when = "{all: [{fact: index, above: 100}, {fact: length_cm, at_least: 200}, {fact: weight_kg, at_least: 1}]}"
    then = "{size: {axis: girth, value: G, basis: assumed}}"
    given = every_rule_can_fire(small_ruleset(adding=rule("x", when, then)))
    assert given.unreachable == ()  # the index itself may be recorded
    frame = FRAME.replace("range: [7, 120], given: either", "range: [7, 120], given: concluded")
    worked_out = every_rule_can_fire(small_ruleset(adding=rule("x", when, then), frame=frame))
    assert [found.rule for found in worked_out.unreachable] == ["small.x"]
    nearly = when.replace("length_cm, at_least: 200", "length_cm, at_least: 199")
    assert every_rule_can_fire(small_ruleset(adding=rule("x", nearly, then), frame=frame)).status == "proved"


def test_a_patient_whom_floating_point_puts_beyond_the_edge_has_a_neighbour_who_shows_the_rule(monkeypatch):
    """The solver's patient may stand on the edge of a comparison, and a sum in floating point falls a little short of it."""

    def a_little_less(vocabulary, patient, model):
        exact = facts_of(vocabulary, patient, model)
        return {name: value - 1e-9 if isinstance(value, float) else value for name, value in exact.items()}

    when = "{all: [{fact: height_mm, at_least: 150}, {fact: height_mm, at_most: 151}, {fact: girth_mm, above: 500}]}"
    ruleset = small_ruleset(adding=rule("x", when, "{size: {axis: girth, value: G, basis: assumed}}"))
    monkeypatch.setattr(prover, "facts_of", a_little_less)
    assert every_rule_can_fire(ruleset).status == "proved"


@pytest.mark.parametrize(
    ("claim", "message"),
    [
        ("{id: a, says: b}", "give exactly one of rising, never_slower, no_size, never_sized and stays_withheld"),
        ("{id: a, says: b, rising: {axis: bands, fact: height_mm}}", "no size axis called 'bands'; there are: band, girth"),
        ("{id: a, says: b, rising: {axis: band, fact: form}}", "'form' is not a number that can be observed"),
        ("{id: a, says: b, rising: {axis: band, fact: low_mm}}", "'low_mm' is not a number that can be observed"),
        ("{id: a, says: b, stays_withheld: {fact: form, further: higher}}", "'form' is not a number that can be observed"),
        ("{id: a, says: b, never_slower: {task: x, risks: [{fact: asleep, worse: true}]}}", "no task called 'x'; there are: look"),
        ("{id: a, says: b, never_slower: {task: look, risks: [{fact: asleep, worse: higher}]}}", "asleep is a yes/no fact"),
        ("{id: a, says: b, never_slower: {task: look, risks: [{fact: score, worse: true}]}}", "score is a number"),
        ("{id: a, says: b, never_slower: {task: look, risks: [{fact: form, worse: [thin]}]}}", "form is coded"),
        ("{id: a, says: b, never_slower: {task: look, risks: [{fact: small, worse: true}]}}", "'small' is not a fact"),
        ("{id: a, says: b, risen: {}}", "no key of this name is expected here"),
        ("{id: a, says: b, where: {fact: sleepy, is: true}, rising: {axis: band, fact: height_mm}}", "no fact called 'sleepy'"),
    ],
)  # fmt: skip
def test_a_wrong_claim_is_told_with_its_place(claim, message):
    with pytest.raises(KnowledgeError) as caught:
        read_claims(small_ruleset(), [YamlFile("claims/x.yaml", f"claims:\n  - {claim}\n")])
    assert str(caught.value).startswith("claims/x.yaml:2:") and message in str(caught.value)


def test_every_fact_that_raises_the_risk_to_the_skin_is_claimed_never_to_slow_inspection():
    """What no claim names is proved of nobody. A damage and a position have claims; so must whatever else raises the risk."""
    claimed = {
        risk.fact
        for claim in load_claims(RULESET)
        if claim.never_slower is not None and claim.never_slower.task == "inspect_skin"
        for risk in claim.never_slower.risks
    }
    raising = [
        rule
        for rule in RULESET.rules.values()
        if any(drawn.fact == "skin_risk" and drawn.value in ("raised", "high") for drawn in rule.then.conclusions)
    ]
    read = {name for rule in raising for name in rule.reads} - {"collar_care", "collar_worn"}
    stand_for = {"braden_band": "braden_score", "minor": "age_years"}
    assert len(raising) > 10
    assert {stand_for.get(name, name) for name in read} <= claimed
