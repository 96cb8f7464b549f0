"""The questions on the downtime sheet lead to what the rules say, and no tree of questions is shorter on average."""

import functools
import itertools
import random
from collections import Counter

import numpy as np
import polars as pl
import pytest

from rules.batch.answer_partitions import groups
from rules.batch.fact_frame import column_type
from rules.batch.polars_backend import Columns
from rules.batch.question_tree import (
    KNOWN,
    Outcome,
    QuestionNode,
    _part,
    _Solver,
    asked_on_paper,
    axis_tree,
    follow,
    stop_questions,
)
from rules.evaluation.hit_policy import choose
from rules.evaluation.interpreter import fire
from rules.model.conditions import evaluate
from tests.rules.paper import is_beyond_paper
from tests.rules.patients import as_people, population
from tests.shipped_content import RULESET

TREES = {name: axis_tree(RULESET, axis) for name, axis in RULESET.axes.items()}


@pytest.mark.parametrize("seed", range(2))
def test_the_answers_are_the_engines_answers(seed):
    stops = stop_questions(RULESET)
    people = as_people(population(RULESET, 1500, seed))
    followed = Counter()
    assert stops and TREES and len(people) == 1500
    for facts in people:
        firing = fire(RULESET, facts)
        sizing = choose(RULESET, firing.fired)
        stopped = {stop.hold.text for stop in stops if evaluate(stop.rule.when, firing.facts) is True}
        assert stopped == {hold.text for _, hold in sizing.holds if hold.axis is None}
        for name, tree in TREES.items():
            if is_beyond_paper(RULESET, RULESET.axes[name], facts, firing.fired):
                continue
            followed[name] += 1
            held = next((hold.summary for _, hold in sizing.holds if hold.axis == name), None)
            expected = Outcome(() if held else sizing.axes[name].candidates, held)
            assert follow(tree, firing.facts) == expected, (name, facts)
    # Nearly everybody: an estimate from stature and weight or an index is beyond paper, and so are two lines in question.
    assert set(followed) == set(TREES) and min(followed.values()) >= 1390
    assert {name for name, count in followed.items() if count < 1500} == {"girth_band", "line"}


def every_outcome(name):
    """For one axis the answers to each question, their chances, and the outcome of every combination of answers as numbers."""
    part = _part(RULESET, RULESET.axes[name])
    rules = list(part.rules.values())
    options = {fact: groups(fact, rules, RULESET) for fact in asked_on_paper(RULESET, rules)}
    columns = [pl.DataFrame({fact: [one.example for one in found]}) for fact, found in options.items()]
    table = functools.reduce(lambda one, other: one.join(other, how="cross", maintain_order="left_right"), columns)
    facts = table.cast({fact: column_type(RULESET.vocabulary[fact]) for fact in options})
    holds = [rule for rule in rules if rule.then.holds]
    wanted = [f"candidates:{name}", *(f"rule:{rule.id}" for rule in holds)]
    decided = Columns(part).decide(facts, outputs=wanted)
    for place in random.Random(1).sample(range(table.height), min(table.height, 300)):
        fired = fire(part, as_people(facts[place : place + 1])[0]).fired
        held = any(rule.then.holds for rule in fired)
        candidates = None if held else " ".join(choose(part, fired).axes[name].candidates) or None
        assert decided.row(place) == (candidates, *(rule in fired for rule in holds))
    # Of several reasons to give no size the first counts, and two that say the same are one.
    said = [pl.when(f"rule:{rule.id}").then(pl.lit(f"no size: {rule.then.holds[0].summary}")) for rule in holds]
    outcome = pl.coalesce(*said, f"candidates:{name}", pl.lit(""))
    numbers = decided.select(outcome.rank("dense")).to_series().to_numpy()
    outcomes = numbers.reshape([len(found) for found in options.values()])
    return (
        options,
        {fact: chances(found, np.moveaxis(outcomes, at, 0)) for at, (fact, found) in enumerate(options.items())},
        outcomes,
    )


def chances(answers, slices):
    """The prior as it is stated: answers that can lead to different outcomes are equally likely, where any is known."""
    kinds = [seen.tobytes() for seen in slices]
    known = [bool(one.spans or one.values) for one in answers]
    told_apart = {kind for kind, one in zip(kinds, known, strict=True) if one}
    members = Counter(itertools.compress(kinds, known))
    return [
        (KNOWN / len(told_apart) / members[kind] if is_known else 0) + (1 - KNOWN) * one.unknown
        for kind, is_known, one in zip(kinds, known, answers, strict=True)
    ]


@pytest.mark.parametrize("name", RULESET.axes)
def test_no_other_order_of_questions_is_shorter_on_average(name):
    """Every way of asking is weighed, over the answers as the rules tell them apart, before any are taken together.

    From everything asked to nothing asked, for every set of questions already asked and every combination of answers to
    them, the fewest further questions on average.
    """
    _, weights, outcomes = every_outcome(name)
    weights, count = list(weights.values()), outcomes.ndim
    fewest = {frozenset(range(count)): np.zeros(outcomes.shape)}
    for asked in (
        frozenset(one) for size in reversed(range(count)) for one in itertools.combinations(range(count), size)
    ):
        rest = tuple(fact for fact in range(count) if fact not in asked)
        settled = outcomes.min(axis=rest, keepdims=True) == outcomes.max(axis=rest, keepdims=True)
        shares = {fact: np.reshape(weights[fact], [-1 if at == fact else 1 for at in range(count)]) for fact in rest}
        after = [(fewest[asked | {fact}] * shares[fact]).sum(axis=fact, keepdims=True) for fact in rest]
        fewest[asked] = np.where(settled, 0.0, 1.0 + functools.reduce(np.minimum, after))
    assert TREES[name].expected == pytest.approx(fewest[frozenset()].item())


@pytest.mark.parametrize("seed", range(20))
def test_the_search_finds_what_trying_every_tree_finds(seed):
    """On small tables drawn at random: question by question from the top, nothing remembered and nothing shared."""
    drawn = np.random.default_rng(seed)
    shape = tuple(drawn.integers(2, 4, size=4))
    table = drawn.integers(0, 3, size=shape)
    weights = [drawn.dirichlet(np.ones(length)).tolist() for length in shape]

    def fewest(left, facts):
        if left.min() == left.max():
            return 0.0
        return 1 + min(
            sum(
                weight * fewest(np.take(left, place, axis=at), facts[:at] + facts[at + 1 :])
                for place, weight in enumerate(weights[fact])
            )
            for at, fact in enumerate(facts)
        )

    assert _Solver(table, weights).expected == pytest.approx(fewest(table, tuple(range(4))))


@pytest.mark.parametrize("name", RULESET.axes)
def test_the_stated_average_is_the_trees_average(name):
    options, weights, _ = every_outcome(name)

    def average(node):
        if isinstance(node, Outcome):
            return 0.0
        shares = [
            sum(
                weight
                for one, weight in zip(options[node.fact], weights[node.fact], strict=True)
                if given(one, answers)
            )
            for answers, _ in node.branches
        ]
        assert sum(shares) == pytest.approx(1)
        return 1 + sum(share * average(child) for share, (_, child) in zip(shares, node.branches, strict=True))

    def given(one, answers):
        return one.example in answers if one.example is not None else answers.unknown

    assert TREES[name].expected == pytest.approx(average(TREES[name].root))


def test_each_question_is_asked_in_words():
    def questions(node):
        if isinstance(node, QuestionNode):
            yield node.fact
            for _, child in node.branches:
                yield from questions(child)

    asked = [fact for tree in TREES.values() for fact in questions(tree.root)]
    assert asked
    for fact in asked:
        assert RULESET.vocabulary[fact].label
