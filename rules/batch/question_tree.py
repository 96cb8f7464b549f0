"""The shortest way to a size by questions: for each axis the tree that needs the fewest questions on average.

The tree is exact: every way of asking is weighed, and no other tree for the axis has a smaller expected number of questions
under the stated prior (each question can be answered in ``KNOWN`` of cases, and the answers that can lead to different
outcomes on the axis are equally likely and independent). The axes are asked one after the other, because each is decided by
rules of its own.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from rules.batch.answer_partitions import Answers, groups, primary_facts
from rules.batch.fact_frame import column_type
from rules.batch.polars_backend import Columns
from rules.model.facts import FactValue
from rules.model.ruleset import Axis, Hold, Rule, Ruleset

KNOWN = 0.9
"""The prior chance that a question can be answered at the bedside."""


@dataclass(frozen=True)
class Outcome:
    """What is known at the end: the candidates, smallest first, or none with the reason to give no size."""

    candidates: tuple[str, ...]
    hold: str | None = None


@dataclass(frozen=True)
class Question:
    """Ask for ``fact``; each group of answers leads on to a question or to an outcome."""

    fact: str
    branches: tuple[tuple[Answers, Question | Outcome], ...]


@dataclass(frozen=True)
class StopQuestion:
    """A reason to put no sized collar on: the rule, whose condition says when, and what it says."""

    rule: Rule
    hold: Hold


@dataclass(frozen=True)
class AxisTree:
    """The questions of one axis, and how many are asked on average under the prior."""

    axis: Axis
    root: Question | Outcome
    expected: float


def axis_tree(ruleset: Ruleset, axis: Axis) -> AxisTree:
    """The tree of ``axis`` with the smallest expected number of questions. It is computed anew from ``ruleset``."""
    part = _part(ruleset, axis)
    rules = list(part.rules.values())
    facts = primary_facts(rules, ruleset)
    options = [groups(fact, rules, ruleset) for fact in facts]
    outcomes, table = _outcomes(part, axis, facts, options)
    asked, answers, table = _merged(facts, options, table)
    solved = _Solver(table, [_weights(one) for one in answers])
    root = solved.tree(asked, answers, outcomes)
    return AxisTree(axis, root, solved.cost(solved.everything))


def stop_questions(ruleset: Ruleset) -> tuple[StopQuestion, ...]:
    """The rules that forbid a sized collar whatever the size, in the order of the ruleset."""
    return tuple(
        StopQuestion(rule, hold) for rule in ruleset.rules.values() for hold in rule.then.holds if hold.axis is None
    )


def follow(tree: AxisTree, facts: Mapping[str, FactValue]) -> Outcome:
    """The outcome for a patient, as somebody with the questions in hand would find it."""
    here = tree.root
    while isinstance(here, Question):
        value = facts.get(here.fact)
        here = next(child for answers, child in here.branches if value in answers)
    return here


def _part(ruleset: Ruleset, axis: Axis) -> Ruleset:
    """Only the rules that offer a value on ``axis`` or withhold it alone, and those that these build on."""
    kept: set[str] = set()
    needed: set[str] = set()
    for rule in itertools.chain.from_iterable(reversed(ruleset.strata)):
        sizes = [offer for offer in rule.then.sizes if offer.axis == axis.name]
        holds = [hold for hold in rule.then.holds if hold.axis == axis.name]
        if sizes or holds or rule.writes & needed:
            kept.add(rule.id)
            needed |= rule.reads
    strata = tuple(tuple(rule for rule in stratum if rule.id in kept) for stratum in ruleset.strata)
    return replace(ruleset, strata=strata, axes={axis.name: axis})


def _outcomes(
    part: Ruleset, axis: Axis, facts: Sequence[str], options: Sequence[Sequence[Answers]]
) -> tuple[list[Outcome], np.ndarray]:
    """The outcomes there are, and for every combination of answers the number of its outcome."""
    types = [column_type(part.vocabulary[fact]) for fact in facts]
    examples = [
        pl.DataFrame([pl.Series(fact, [one.example for one in option], dtype=kind)])
        for fact, option, kind in zip(facts, options, types, strict=True)
    ]
    everybody = functools.reduce(lambda one, other: one.join(other, how="cross", maintain_order="left_right"), examples)
    holds = [rule for rule in part.rules.values() if rule.then.holds]
    names = [f"candidates:{axis.name}", *(f"rule:{rule.id}" for rule in holds)]
    decided = Columns(part).decide(everybody, outputs=names)
    numbered: dict[Outcome, int] = {}
    kinds = {
        row: numbered.setdefault(_outcome(row, holds), len(numbered))
        for row in decided.unique(maintain_order=True).iter_rows()
    }
    distinct = decided.unique(maintain_order=True).with_columns(number=pl.Series(list(kinds.values()), dtype=pl.Int16))
    numbers = decided.join(distinct, on=names, how="left", nulls_equal=True, maintain_order="left")["number"].to_numpy()
    return list(numbered), numbers.reshape([len(option) for option in options])


def _outcome(row: tuple[object, ...], holds: Sequence[Rule]) -> Outcome:
    candidates, *fired = row
    hold = next((rule.then.holds[0].text for rule, truth in zip(holds, fired, strict=True) if truth), None)
    return Outcome(tuple(str(candidates).split()) if candidates else (), hold)


def _merged(
    facts: Sequence[str], options: Sequence[Sequence[Answers]], table: np.ndarray
) -> tuple[list[str], list[list[Answers]], np.ndarray]:
    """The same with answers that never lead to different outcomes taken together, and facts without a choice left out."""
    kept_facts, kept_options = [], []
    axis = 0
    for fact, option in zip(facts, options, strict=True):
        groups_by_slice: dict[bytes, int] = {}
        merged: list[Answers] = []
        places = []
        for place, answers in enumerate(option):
            seen = np.ascontiguousarray(np.take(table, place, axis=axis)).tobytes()
            if seen in groups_by_slice:
                merged[groups_by_slice[seen]] |= answers
            else:
                groups_by_slice[seen] = len(merged)
                merged.append(answers)
                places.append(place)
        table = np.take(table, places, axis=axis)
        if len(merged) == 1:
            table = np.take(table, 0, axis=axis)
            continue
        kept_facts.append(fact)
        kept_options.append(merged)
        axis += 1
    return kept_facts, kept_options, table


def _weights(option: Sequence[Answers]) -> list[float]:
    """The prior chance of each group: ``KNOWN`` shared among the known answers, the rest for not known."""
    known = [bool(one.spans or one.values) for one in option]
    share = KNOWN / sum(known)
    return [share * is_known + (1 - KNOWN) * one.unknown for one, is_known in zip(option, known, strict=True)]


class _Solver:
    """Expected questions for each set of answers still possible: per fact either one group, or (None) not asked yet."""

    def __init__(self, table: np.ndarray, weights: Sequence[Sequence[float]]) -> None:
        self._table = table
        self._weights = weights
        self.everything: tuple[int | None, ...] = (None,) * table.ndim
        self._best: dict[tuple[int | None, ...], tuple[float, int | None]] = {}

    def cost(self, state: tuple[int | None, ...]) -> float:
        """The smallest expected number of further questions in ``state``."""
        return self._solve(state)[0]

    def _solve(self, state: tuple[int | None, ...]) -> tuple[float, int | None]:
        if state not in self._best:
            left = self._table[tuple(slice(None) if place is None else place for place in state)]
            if left.min() == left.max():
                self._best[state] = (0.0, None)
            else:
                choices = ((self._after(state, fact), fact) for fact, place in enumerate(state) if place is None)
                self._best[state] = min(choices, default=(math.inf, 0))
        return self._best[state]

    def _after(self, state: tuple[int | None, ...], fact: int) -> float:
        return 1 + sum(
            weight * self.cost((*state[:fact], place, *state[fact + 1 :]))
            for place, weight in enumerate(self._weights[fact])
        )

    def tree(
        self, facts: Sequence[str], options: Sequence[Sequence[Answers]], outcomes: Sequence[Outcome]
    ) -> Question | Outcome:
        """The best tree, with answers that lead to the same taken together."""

        def build(state: tuple[int | None, ...]) -> Question | Outcome:
            _, asked = self._solve(state)
            if asked is None:
                left = self._table[tuple(slice(None) if place is None else place for place in state)]
                return outcomes[int(left.flat[0])]
            branches: dict[Question | Outcome, Answers] = {}
            for place, answers in enumerate(options[asked]):
                child = build((*state[:asked], place, *state[asked + 1 :]))
                branches[child] = branches[child] | answers if child in branches else answers
            return Question(facts[asked], tuple((answers, child) for child, answers in branches.items()))

        return build(self.everything)
