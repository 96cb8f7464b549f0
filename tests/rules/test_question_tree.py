"""The questions on the downtime sheet lead to what the rules say, and no tree of questions is shorter on average."""

import itertools

import pytest

from rules.answers import groups, primary_facts
from rules.conditions import evaluate
from rules.evaluation import fire
from rules.loading import load_ruleset
from rules.question_tree import Outcome, Question, _part, _weights, axis_tree, follow, stop_questions
from rules.sizing import choose
from tests.rules.patients import as_people, population

RULESET = load_ruleset()
TREES = {name: axis_tree(RULESET, axis) for name, axis in RULESET.axes.items()}


@pytest.mark.parametrize("seed", range(2))
def test_the_answers_are_the_engines_answers(seed):
    stops = stop_questions(RULESET)
    for facts in as_people(population(RULESET, 1500, seed)):
        firing = fire(RULESET, facts)
        sizing = choose(RULESET, firing.fired)
        stopped = {stop.hold.text for stop in stops if evaluate(stop.rule.when, firing.facts) is True}
        assert stopped == {hold.text for _, hold in sizing.holds if hold.axis is None}
        for name, tree in TREES.items():
            held = next((hold.text for _, hold in sizing.holds if hold.axis == name), None)
            expected = Outcome(() if held else sizing.axes[name].candidates, held)
            assert follow(tree, firing.facts) == expected, (name, facts)


@pytest.mark.parametrize("name", ["line", "contour", "back"])
def test_no_other_order_of_questions_is_shorter_on_average(name):
    axis = RULESET.axes[name]
    part = _part(RULESET, axis)
    rules = list(part.rules.values())
    facts = primary_facts(rules, RULESET)
    options = {
        fact: list(zip(options, _weights(options), strict=True))
        for fact in facts
        if (options := groups(fact, rules, RULESET))
    }

    def settled(known, open_facts):
        outcomes = {
            outcome_of(part, name, {**known, **dict(zip(open_facts, combination, strict=True))})
            for combination in itertools.product(*([one.example for one, _ in options[fact]] for fact in open_facts))
        }
        return len(outcomes) == 1

    def shortest(known, open_facts):
        if settled(known, open_facts):
            return 0.0
        return min(
            1
            + sum(
                w * shortest({**known, fact: one.example}, [f for f in open_facts if f != fact])
                for one, w in options[fact]
            )
            for fact in open_facts
        )

    def outcome_of(part, axis, answers):
        sizing = choose(part, fire(part, {fact: v for fact, v in answers.items() if v is not None}).fired)
        return (sizing.axes[axis].candidates, bool(sizing.holds))

    assert TREES[name].expected == pytest.approx(shortest({}, list(facts)))


def test_the_stated_average_is_the_trees_average():
    def average(node, part):
        if isinstance(node, Outcome):
            return 0.0
        options = groups(node.fact, list(part.rules.values()), RULESET)
        weight = {id(one): w for one, w in zip(options, _weights(options), strict=True)}
        total = 1.0
        for answers, child in node.branches:
            share = sum(
                weight[id(one)] for one in options if one.example in answers and (not one.unknown or answers.unknown)
            )
            total += share * average(child, part)
        return total

    for name in ("line", "back"):
        assert TREES[name].expected == pytest.approx(average(TREES[name].root, _part(RULESET, RULESET.axes[name])))


def test_each_question_is_asked_in_words():
    def questions(node):
        if isinstance(node, Question):
            yield node.fact
            for _, child in node.branches:
                yield from questions(child)

    for tree in TREES.values():
        for fact in questions(tree.root):
            assert RULESET.vocabulary[fact].label
