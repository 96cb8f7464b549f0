"""durable_rules against plain evaluation of the same conditions, on thousands of generated rulesets and patients."""

from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, reject, settings
from hypothesis import strategies as st

from rules.errors import EngineError
from rules.evaluation import durable_engine
from rules.evaluation.durable_engine import Engine
from rules.evaluation.interpreter import fire
from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.conditions import evaluate
from tests.rules.patients import patients
from tests.shipped_content import RULESET

HEAD = """
ruleset: {name: generated, version: 1.0.0, title: Generated, disclaimer: Clinicians decide.}
facts:
  x: {type: number, range: [-100, 100], label: x, meaning: x, code: x}
  n: {type: integer, range: [3, 15], label: n, meaning: n, code: n}
  b: {type: boolean, label: b, meaning: b, code: b}
  c: {type: code, values: [red, green, "blue sky"], label: c, meaning: c, code: c}
  y: {type: number, range: [-100, 100], label: y, meaning: y, code: y, given: either}
sources: {habit: {kind: common_practice, citation: "Common practice, no source."}}
"""
NUMBERS = st.one_of(st.integers(-3, 15), st.sampled_from([0.5, 2.25, 3.1, 7.999, -0.125]))
ORDERED = st.sampled_from(["is", "is_not", "at_least", "above", "at_most", "below"])
WORDS = st.sampled_from(["red", "green", "blue sky"])


def comparison(fact, comparator, value):
    return {"fact": fact, comparator: value}


COMPARISONS = st.one_of(
    st.builds(comparison, st.sampled_from("xyn"), ORDERED, NUMBERS),
    st.builds(comparison, st.just("b"), st.sampled_from(["is", "is_not"]), st.booleans()),
    st.builds(comparison, st.just("c"), st.sampled_from(["is", "is_not"]), WORDS),
    st.builds(
        comparison, st.just("c"), st.sampled_from(["one_of", "not_one_of"]), st.lists(WORDS, min_size=1, max_size=3)
    ),
)
LEAVES = st.one_of(
    COMPARISONS,
    st.builds(lambda danger: {"unless_known_not": danger}, COMPARISONS),
    st.builds(lambda kind, fact: {kind: fact}, st.sampled_from(["known", "unknown"]), st.sampled_from("xnbcy")),
)
TREES = st.recursive(
    LEAVES,
    lambda inner: st.builds(
        lambda kind, children: {kind: children},
        st.sampled_from(["all", "any", "none"]),
        st.lists(inner, min_size=1, max_size=3),
    ),
    max_leaves=8,
)
PATIENTS = st.fixed_dictionaries(
    {},
    optional={
        "x": st.one_of(st.integers(-3, 15), st.sampled_from([0.5, 2.25, 3.1, 7.999, 1e-9]), st.floats(-100, 100)),
        "n": st.integers(3, 15),
        "b": st.booleans(),
        "c": WORDS,
        "y": st.one_of(NUMBERS, st.sampled_from([1e-9, -1e-9, 5e-324])),
    },
)


def generated(trees):
    rules = [
        {
            "id": f"generated.r{index}",
            "title": f"Rule {index}",
            "when": tree,
            "then": {"caution": {"severity": "info", "text": f"caution {index}"}},
            "because": "Test.",
            "sources": ["habit"],
        }
        for index, tree in enumerate(trees)
    ]
    rules.append(
        {
            "id": "generated.chained",
            "title": "Chained",
            "when": {"fact": "x", "above": 0},
            "then": {"conclude": {"y": "x * 2 - 1"}},
            "because": "Test.",
            "sources": ["habit"],
        }
    )
    return build_ruleset([YamlFile("base.yaml", HEAD), YamlFile("generated.yaml", json.dumps({"rules": rules}))])


def engine_that_takes(ruleset):
    """An engine of ``ruleset``; another one is drawn where a rule has more alternatives than the engine can hold."""
    try:
        return Engine(ruleset)
    except EngineError as refused:
        if "alternatives, at most" not in str(refused):
            raise
        reject()


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(TREES, min_size=5, max_size=25), st.lists(PATIENTS, min_size=10, max_size=40))
def test_both_fire_the_same_rules_and_conclude_the_same(trees, people):
    ruleset = generated(trees)
    engine = engine_that_takes(ruleset)
    assert people
    for facts in people:
        plain, durable = fire(ruleset, facts), engine.fire(facts)
        assert durable == plain
        direct = {rule.id for rule in ruleset.rules.values() if evaluate(rule.when, plain.facts) is True}
        assert {rule.id for rule in plain.fired} == direct


def many_groups(leaf):
    """More groups than durable_rules takes in one rule: nested ones, beside plain ones."""
    pairs = [{"all": [{"fact": "n", "is": n}, leaf]} for n in range(3, 16)]
    nested = [{"all": [{"fact": "x", "is": n}, {"any": [leaf, {"fact": "b", "is": True}]}]} for n in range(8)]
    return [*pairs, *nested, {"fact": "c", "is": "red"}]


@pytest.mark.parametrize(
    ("recorded", "counts"),
    [
        *(({"n": n, "y": 1}, True) for n in (3, 9, 15)),
        ({"n": 9, "y": 0}, False),
        ({"x": 7, "y": 1}, True),
        ({"x": 0, "b": True}, True),
        ({"x": 7, "b": False, "y": 0}, False),
        ({"c": "red"}, True),
        ({}, False),
    ],
)
def test_a_rule_of_many_groups_is_cut_and_fires_as_it_should(recorded, counts):
    ruleset = generated([{"any": many_groups({"fact": "y", "is": 1})}])
    durable = Engine(ruleset).fire(recorded)
    assert durable == fire(ruleset, recorded)
    assert [rule.id for rule in durable.fired].count("generated.r0") == counts


def test_a_rule_that_cannot_be_cut_is_refused_by_name():
    tree = {"all": [{"fact": "c", "not_one_of": ["red", "green"]}] * 15}
    with pytest.raises(EngineError, match=r"generated\.r0 joins more than 15 groups of conditions; split it"):
        Engine(generated([tree]))


@pytest.mark.parametrize(
    ("recorded", "counts"), [({}, True), ({"y": 3}, True), ({"y": 9}, False), ({"x": 2}, True), ({"x": 5}, False)]
)
def test_a_danger_counts_only_until_a_layer_before_concludes_that_it_is_safe(recorded, counts):
    ruleset = generated([{"unless_known_not": {"fact": "y", "at_most": 3}}])  # x above 0 concludes y: twice x less 1
    fired = {rule.id for rule in Engine(ruleset).fire(recorded).fired}
    assert ("generated.r0" in fired) is counts


def test_a_threshold_that_durable_rules_could_not_read_is_refused():
    with pytest.raises(EngineError, match="x is compared with 1e-09"):
        Engine(generated([{"fact": "x", "above": 1e-9}]))


ENGINE = Engine(RULESET)


@settings(max_examples=400)
@given(patients(RULESET))
def test_both_agree_on_the_shipped_rules(facts):
    assert ENGINE.fire(facts) == fire(RULESET, facts)


def test_eight_threads_at_once_get_the_same_answers_as_one():
    people = [
        {"age_years": age, "neck_circumference_mm": girth, "neck_height_mm": height}
        for age in (0.5, 5, 14, 40)
        for girth in (200, 331, 640)
        for height in (40, 60, 95)
    ] * 8
    alone = [ENGINE.fire(facts) for facts in people]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(ENGINE.fire, people))
    assert together == alone


def test_two_threads_are_never_inside_the_engine_at_once(monkeypatch):
    """Its C code keeps state that it guards by nothing, so a mix would be rare and not seen by comparing answers."""
    both_inside = threading.Barrier(2)
    met = []

    def waits_for_another(ruleset, facts, matching):
        try:
            both_inside.wait(timeout=1)
            met.append(facts)
        except threading.BrokenBarrierError:
            pass
        return fire(ruleset, facts)

    monkeypatch.setattr(durable_engine, "fire_with", waits_for_another)
    people = [{"age_years": 40}, {"age_years": 5}]
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(ENGINE.fire, people))
    assert found == [fire(RULESET, facts) for facts in people]
    assert met == []
