"""Three-valued logic against its published truth tables, and each form of a condition against the others."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import event, given
from hypothesis import strategies as st

from rules.model.compiled_conditions import certainly, definitely, possibly
from rules.model.conditions import (
    AllOf,
    AnyOf,
    Compare,
    Condition,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
    describe,
    evaluate,
    facts_read,
    grounds,
    leaves,
    without_negation,
)

TRUE, FALSE, UNKNOWN = True, False, None

# Source: S. C. Kleene, Introduction to Metamathematics, 1952, section 64: strong tables for "and" and "or".
KLEENE_AND = {
    (TRUE, TRUE): TRUE,
    (TRUE, FALSE): FALSE,
    (TRUE, UNKNOWN): UNKNOWN,
    (FALSE, TRUE): FALSE,
    (FALSE, FALSE): FALSE,
    (FALSE, UNKNOWN): FALSE,
    (UNKNOWN, TRUE): UNKNOWN,
    (UNKNOWN, FALSE): FALSE,
    (UNKNOWN, UNKNOWN): UNKNOWN,
}
KLEENE_OR = {
    (TRUE, TRUE): TRUE,
    (TRUE, FALSE): TRUE,
    (TRUE, UNKNOWN): TRUE,
    (FALSE, TRUE): TRUE,
    (FALSE, FALSE): FALSE,
    (FALSE, UNKNOWN): UNKNOWN,
    (UNKNOWN, TRUE): TRUE,
    (UNKNOWN, FALSE): UNKNOWN,
    (UNKNOWN, UNKNOWN): UNKNOWN,
}
KLEENE_NOT = {TRUE: FALSE, FALSE: TRUE, UNKNOWN: UNKNOWN}

A, B = Compare("a", "is", True), Compare("b", "is", True)


def recorded(**truths: bool | None) -> dict[str, bool]:
    return {name: truth for name, truth in truths.items() if truth is not None}


@pytest.mark.parametrize("pair", KLEENE_AND)
def test_all_and_any_follow_the_published_tables(pair):
    a, b = pair
    assert evaluate(AllOf((A, B)), recorded(a=a, b=b)) is KLEENE_AND[pair]
    assert evaluate(AnyOf((A, B)), recorded(a=a, b=b)) is KLEENE_OR[pair]


@pytest.mark.parametrize("a", KLEENE_NOT)
def test_none_of_one_is_negation(a):
    assert evaluate(NoneOf((A,)), recorded(a=a)) is KLEENE_NOT[a]


@pytest.mark.parametrize("pair", KLEENE_OR)
def test_none_of_several_is_the_negated_or(pair):
    a, b = pair
    assert evaluate(NoneOf((A, B)), recorded(a=a, b=b)) is KLEENE_NOT[KLEENE_OR[pair]]


def test_a_missing_fact_never_makes_a_negation_true():
    assert evaluate(NoneOf((Compare("tracheostomy", "is", True),)), {}) is None


def test_whether_a_fact_is_recorded_is_never_unknown():
    assert evaluate(Known("a"), {}) is False
    assert evaluate(Unknown("a"), {}) is True
    assert evaluate(NoneOf((Unknown("a"),)), {}) is False


def test_an_empty_all_is_true():
    assert evaluate(AllOf(()), {}) is True
    assert describe(AllOf(())) == "always"


COMPARISONS = {
    "is": lambda x, t: x == t,
    "is_not": lambda x, t: x != t,
    "at_least": lambda x, t: x >= t,
    "above": lambda x, t: x > t,
    "at_most": lambda x, t: x <= t,
    "below": lambda x, t: x < t,
}


@pytest.mark.parametrize("comparator", COMPARISONS)
@pytest.mark.parametrize("value", [329, 330, 331])
def test_each_comparison_at_its_edge(comparator, value):
    found = evaluate(Compare("x", comparator, 330), {"x": value})
    assert found is COMPARISONS[comparator](value, 330)


def test_membership():
    leaf = Compare("build", "one_of", ("heavy", "very_heavy"))
    assert evaluate(leaf, {"build": "heavy"}) is True
    assert evaluate(leaf, {"build": "slight"}) is False
    assert evaluate(NoneOf((leaf,)), {"build": "slight"}) is True


@pytest.mark.parametrize(("secured", "counts"), [(TRUE, FALSE), (FALSE, TRUE), (UNKNOWN, TRUE)])
def test_a_danger_counts_until_the_safe_value_is_on_record(secured, counts):
    danger = UnlessKnownNot(Compare("airway_secured", "is", False))
    record = recorded(airway_secured=secured)
    assert evaluate(danger, record) is counts
    assert evaluate(NoneOf((danger,)), record) is not counts
    assert describe(danger) == "airway_secured is false, or not recorded"


NUMBERS = st.sampled_from([0, 1, 2, 2.5])
COMPARING = st.one_of(
    st.builds(Compare, st.sampled_from("ab"), st.sampled_from(sorted(COMPARISONS)), NUMBERS),
    st.builds(Compare, st.sampled_from("ab"), st.sampled_from(["one_of", "not_one_of"]), st.tuples(NUMBERS, NUMBERS)),
)
LEAVES = st.one_of(
    COMPARING,
    st.builds(UnlessKnownNot, COMPARING),
    st.builds(Known, st.sampled_from("ab")),
    st.builds(Unknown, st.sampled_from("ab")),
)
TREES = st.recursive(
    LEAVES,
    lambda inner: st.builds(
        lambda kind, children: kind(tuple(children)),
        st.sampled_from([AllOf, AnyOf, NoneOf]),
        st.lists(inner, min_size=1, max_size=3),
    ),
    max_leaves=12,
)
EVERY_RECORD = [
    {name: value for name, value in zip("ab", values, strict=True) if value is not None}
    for values in itertools.product([None, 0, 1, 2, 2.5], repeat=2)
]


@given(TREES)
def test_pushing_negation_down_keeps_the_meaning(condition: Condition):
    pushed = without_negation(condition)
    assert EVERY_RECORD
    for facts in EVERY_RECORD:
        assert evaluate(pushed, facts) is evaluate(condition, facts)


@given(TREES)
def test_pushing_negation_down_leaves_none_behind(condition: Condition):
    assert "none of (" not in describe(without_negation(condition))
    assert facts_read(without_negation(condition)) == facts_read(condition)


@given(TREES)
def test_the_fast_test_equals_definitely_true(condition: Condition):
    fires = definitely(condition)
    assert EVERY_RECORD
    for facts in EVERY_RECORD:
        assert fires(facts) is (evaluate(condition, facts) is True)


VALUES = dict.fromkeys("ab", (0, 1, 2, 2.5))


def outcomes(condition: Condition, facts: dict[str, object], open_facts: set[str]) -> set[bool]:
    """Whether ``condition`` is true, for each way in which the facts that are open may turn out, being unknown among them."""
    ways = [[facts.get(name)] if name not in open_facts else [None, *VALUES[name]] for name in VALUES]
    found = set()
    for way in itertools.product(*ways):
        known = {name: value for name, value in zip(VALUES, way, strict=True) if value is not None}
        found.add(evaluate(condition, known) is True)
    return found


@given(TREES, st.sets(st.sampled_from(sorted(VALUES))))
def test_what_is_open_never_turns_out_other_than_foreseen(condition: Condition, open_facts: set[str]):
    may, must = possibly(condition), certainly(condition)
    assert EVERY_RECORD
    for facts in EVERY_RECORD:
        found = outcomes(condition, facts, open_facts)
        assert may(facts, open_facts) or found == {False}
        assert not must(facts, open_facts) or found == {True}


def test_a_condition_as_deep_as_anybody_writes_is_compiled():
    deep: Condition = Compare("n", "at_least", 1)
    for level in range(150):
        deep = (AllOf if level % 2 else AnyOf)((deep, Known("n")))
    assert definitely(deep)({"n": 1}) is True
    assert definitely(deep)({}) is False


@given(TREES)
def test_a_ground_stands_in_no_alternative_that_fails(condition: Condition):
    condition = without_negation(condition)
    found = grounds(condition)
    assert set(found) == set(leaves(condition))
    holding = [facts for facts in EVERY_RECORD if evaluate(condition, facts) is True]
    event("true somewhere" if holding else "never true")
    for facts in holding:
        stands = {leaf for leaf, ground in found.items() if evaluate(ground, facts) is True}
        assert stands == set(_true_on_the_way(condition, facts))
        assert stands


def _true_on_the_way(condition: Condition, facts):
    """The true comparisons of ``condition`` that are reached through true parts alone."""
    if evaluate(condition, facts) is not True:
        return
    if not isinstance(condition, (AllOf, AnyOf)):
        yield condition
        return
    for child in condition.children:
        yield from _true_on_the_way(child, facts)


def test_a_comparison_that_is_true_in_a_failing_alternative_is_no_ground():
    infant = AllOf((Compare("line", "is", "infant"), Compare("height", "at_least", 100)))
    adult = AllOf((Compare("line", "is", "adult"), Compare("height", "below", 100)))
    found = grounds(AnyOf((infant, adult)))
    facts = {"line": "adult", "height": 90}
    assert [leaf for leaf, ground in found.items() if evaluate(ground, facts) is True] == list(adult.children)
