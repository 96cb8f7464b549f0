"""The shortest way to a size by questions: for each axis the tree that needs the fewest questions on average.

The tree is exact: every way of asking is weighed, and no other tree for the axis has a smaller expected number of questions
under the stated prior (each question can be answered in ``KNOWN`` of cases, and the answers that can lead to different
outcomes on the axis are equally likely and independent). The axes are asked one after the other, because each is decided by
rules of its own; what the rules of one axis conclude for another, such as the line, is then known from the first.

Left out are rules that compute the estimate of an axis from numbers (nobody computes a regression on paper; the estimate is
the one that stands without them, the girth of women or men), and rules that say so themselves (``on_paper``): above all those by
which two lines are in question within the uncertainty of measuring (on paper the measurement decides as it is).
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Collection, Mapping, Sequence
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
class QuestionNode:
    """Ask for ``fact``; each group of answers leads on to a question or to an outcome."""

    fact: str
    branches: tuple[tuple[Answers, QuestionNode | Outcome], ...]


@dataclass(frozen=True)
class StopQuestion:
    """A reason to put no sized collar on: the rule, whose condition says when, and what it says."""

    rule: Rule
    hold: Hold


@dataclass(frozen=True)
class AxisTree:
    """The questions of one axis, and how many are asked on average under the prior."""

    axis: Axis
    root: QuestionNode | Outcome
    expected: float


def axis_tree(ruleset: Ruleset, axis: Axis) -> AxisTree:
    """The tree of ``axis`` with the smallest expected number of questions. It is computed anew from ``ruleset``."""
    part = _part(ruleset, axis)
    rules = list(part.rules.values())
    facts = asked_on_paper(ruleset, rules)
    options = [groups(fact, rules, ruleset) for fact in facts]
    outcomes, table = _outcomes(part, axis, facts, options)
    asked, answers, table = _merged(facts, options, table)
    solved = _Solver(table, [_weights(one) for one in answers])
    root = solved.tree(asked, answers, outcomes)
    return AxisTree(axis, root, solved.expected)


def stop_questions(ruleset: Ruleset) -> tuple[StopQuestion, ...]:
    """The rules that forbid a sized collar whatever the size, in the order of ``ruleset``."""
    return tuple(
        StopQuestion(rule, hold) for rule in ruleset.rules.values() for hold in rule.then.holds if hold.axis is None
    )


def beyond_paper(ruleset: Ruleset, axis: Axis) -> tuple[Rule, ...]:
    """The rules of ``ruleset`` that the questions of ``axis`` leave out.

    They compute its estimate from numbers, or say so themselves.
    """
    concerned = _concerned(ruleset, axis)
    return tuple(
        rule
        for rule in ruleset.rules.values()
        if rule.id in concerned and (not rule.on_paper or _computes_estimate(rule, axis))
    )


def asked_on_paper(ruleset: Ruleset, rules: Sequence[Rule]) -> tuple[str, ...]:
    """The facts that ``rules`` ask for, without what only rules conclude that are left out: on paper that is not known.

    ``rules`` are some of those of ``ruleset``. Returns names of facts.
    """
    said = {fact for rule in ruleset.rules.values() if rule.on_paper for fact in rule.writes}
    only_beyond = {fact for rule in ruleset.rules.values() if not rule.on_paper for fact in rule.writes} - said
    return tuple(fact for fact in primary_facts(rules, ruleset) if fact not in only_beyond)


def _computes_estimate(rule: Rule, axis: Axis) -> bool:
    return axis.estimate is not None and any(
        conclusion.fact == axis.estimate.mean and conclusion.expression is not None
        for conclusion in rule.then.conclusions
    )


def follow(tree: AxisTree, facts: Mapping[str, FactValue]) -> Outcome:
    """The outcome of ``tree`` for a patient, as somebody with the questions in hand would find it.

    ``facts`` holds what is known, by fact and in the fact's unit; what is not in it is not known.
    """
    here = tree.root
    while isinstance(here, QuestionNode):
        value = facts.get(here.fact)
        here = next(child for answers, child in here.branches if value in answers)
    return here


def _part(ruleset: Ruleset, axis: Axis) -> Ruleset:
    """Only the rules that offer a value on ``axis`` or withhold it alone, and those of no axis that these build on."""
    kept = _concerned(ruleset, axis, beyond_paper(ruleset, axis))
    strata = tuple(tuple(rule for rule in stratum if rule.id in kept) for stratum in ruleset.strata)
    return replace(ruleset, strata=strata, axes={axis.name: axis})


def _concerned(ruleset: Ruleset, axis: Axis, left_out: Collection[Rule] = ()) -> frozenset[str]:
    """The ids of these rules, without those that are ``left_out`` and what only they build on."""
    kept: set[str] = set()
    needed: set[str] = set()
    for rule in itertools.chain.from_iterable(reversed(ruleset.strata)):
        axes = {offer.axis for offer in rule.then.sizes} | {hold.axis for hold in rule.then.holds}
        if rule not in left_out and (axis.name in axes or (rule.writes & needed and not axes & set(ruleset.axes))):
            kept.add(rule.id)
            needed |= rule.reads
    return frozenset(kept)


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
    hold = next((rule.then.holds[0].summary for rule, truth in zip(holds, fired, strict=True) if truth), None)
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
    """Expected further questions: for each set of facts asked, an array over the answers to them (length 1 where not asked).

    Worked out from everything asked to nothing asked, all answers at once.
    """

    def __init__(self, table: np.ndarray, weights: Sequence[Sequence[float]]) -> None:
        self._facts = range(table.ndim)
        self._weights = [
            np.reshape(shares, [-1 if at == fact else 1 for at in self._facts]) for fact, shares in enumerate(weights)
        ]
        everything = frozenset(self._facts)
        self._lowest, self._highest = {everything: table}, {everything: table}
        self._fewest = {everything: np.zeros(table.shape)}
        for size in reversed(self._facts):
            for asked in map(frozenset, itertools.combinations(self._facts, size)):
                self._solve(asked)

    @property
    def expected(self) -> float:
        """The smallest expected number of questions where none is asked yet."""
        return float(self._fewest[frozenset()].item())

    def _solve(self, asked: frozenset[int]) -> None:
        other = next(fact for fact in self._facts if fact not in asked)
        lowest = self._lowest[asked | {other}].min(axis=other, keepdims=True)
        highest = self._highest[asked | {other}].max(axis=other, keepdims=True)
        after = functools.reduce(np.minimum, (self._after(asked, fact) for fact in self._facts if fact not in asked))
        self._lowest[asked], self._highest[asked] = lowest, highest
        self._fewest[asked] = np.where(lowest == highest, 0.0, after)

    def _after(self, asked: frozenset[int], fact: int) -> np.ndarray:
        """The expected questions where ``fact`` is asked next, itself included."""
        weighed: np.ndarray = (self._fewest[asked | {fact}] * self._weights[fact]).sum(axis=fact, keepdims=True)
        return 1 + weighed

    def tree(
        self, facts: Sequence[str], options: Sequence[Sequence[Answers]], outcomes: Sequence[Outcome]
    ) -> QuestionNode | Outcome:
        """The best tree, with answers that lead to the same taken together.

        Of two questions as good (but for rounding) that comes first after which fewer answers lead on to a question.
        """

        def rank(asked: frozenset[int], place: tuple[int, ...], fact: int) -> tuple[float, int]:
            """How good it is to ask ``fact`` next: the expected number of questions, and how many answers lead to another.

            Facts are counted from 0; ``place`` has for each of those ``asked`` the position of its answer, else 0.
            """
            along: tuple[int | slice, ...] = (*place[:fact], slice(None), *place[fact + 1 :])
            after = asked | {fact}
            leading_on = int(np.count_nonzero(self._lowest[after][along] != self._highest[after][along]))
            return round(float(self._after(asked, fact)[place]), 9), leading_on

        def build(given: Mapping[int, int]) -> QuestionNode | Outcome:
            """The rest of the tree, where ``given`` holds the position (from 0) of the answer to each fact, by its own."""
            asked, place = frozenset(given), tuple(given.get(fact, 0) for fact in self._facts)
            if self._lowest[asked][place] == self._highest[asked][place]:
                return outcomes[int(self._lowest[asked][place])]
            next_fact = min(
                (fact for fact in self._facts if fact not in asked), key=functools.partial(rank, asked, place)
            )
            branches: dict[QuestionNode | Outcome, Answers] = {}
            for number, answers in enumerate(options[next_fact]):
                child = build({**given, next_fact: number})
                branches[child] = branches[child] | answers if child in branches else answers
            return QuestionNode(facts[next_fact], tuple((answers, child) for child, answers in branches.items()))

        return build({})
