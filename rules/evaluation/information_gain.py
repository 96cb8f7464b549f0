"""What to find out next: which unknown facts could still change the size class, and whether any can.

Two methods meet. ``outlook.py`` says for certain when nothing can change an axis any more. Trying representative answers
for each unknown fact shows which ones do change it, and by how much; these are ranked.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

from rules.evaluation.hit_policy import Picture, Sizing, choose, sizing_part
from rules.evaluation.interpreter import Firing, fire
from rules.evaluation.outlook import Outlook, Possibilities
from rules.evaluation.sizing_changes import SizingChanges
from rules.model import expressions
from rules.model.conditions import comparisons
from rules.model.decision import MeasureNext
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Rule, Ruleset, Weight, strength

_STEPS_ALONE = 9
_STEPS_TOGETHER = 5
"""How many evenly spread answers stand for a number that rules only compute with, alone and beside another."""


_Offered = tuple[str, Weight]
"""An offer on one axis: the rule, the weight."""


@dataclass(frozen=True)
class Prospects:
    """Which axes are settled, whether the size could still be withheld or released, and what to find out next."""

    settled_axes: Mapping[str, bool]
    settled: bool
    measure_next: tuple[MeasureNext, ...]


class Sizer:
    """The part of a ruleset that decides the size, and the questions that can be asked of it."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Cut ``ruleset`` down to the rules that size, and the rules these build on."""
        self.ruleset = sizing_part(ruleset)
        self._possibilities = Possibilities(self.ruleset)
        self._expected = _without_doubts(self.ruleset)
        self._changes = SizingChanges(self._expected)
        self._answered: dict[tuple[str, ...], list[dict[str, FactValue]]] = {}

    def size(self, facts: Mapping[str, FactValue]) -> Sizing:
        """The sizing for ``facts`` in plain Python."""
        return choose(self.ruleset, fire(self.ruleset, facts).fired)

    def prospects(
        self, facts: Mapping[str, FactValue], evaluated: Firing | None = None, *, rank: bool = True
    ) -> Prospects:
        """What could still change the size of a patient with ``facts``. Without ``rank`` no answers are tried.

        ``evaluated`` is what fires for ``facts`` of the whole rule set, where that is known already.
        """
        firing = fire(self.ruleset, facts) if evaluated is None else self._sizing(evaluated)
        now = choose(self.ruleset, firing.fired)
        outlook = self._possibilities.outlook(facts, firing)
        certain = choose(self.ruleset, self._rules(outlook.must))
        offered: dict[str, list[_Offered]] = {name: [] for name in self.ruleset.axes}
        for rule in outlook.undecided:
            for axis, weight in self.ruleset.offers.get(rule, ()):
                offered[axis].append((rule, weight))
        settled_axes = {
            name: self._axis_settled(name, now, certain, offers, firing, outlook) for name, offers in offered.items()
        }
        held = any(rule.id in outlook.must for rule, _ in now.holds)
        may_hold = any(rule.then.holds for rule in self._rules(outlook.undecided))
        settled = held or (not may_hold and all(settled_axes.values()))
        if settled or not rank:
            return Prospects(settled_axes, settled, ())
        involved = self._involved(facts, {axis for axis, fixed in settled_axes.items() if not fixed}, outlook)
        return Prospects(settled_axes, False, self._rank(facts, firing, now, involved))

    def _sizing(self, evaluated: Firing) -> Firing:
        """What of ``evaluated`` decides the size."""
        return replace(evaluated, fired=tuple(rule for rule in evaluated.fired if rule.id in self.ruleset.rules))

    def _rules(self, ids: Iterable[str]) -> list[Rule]:
        return [self.ruleset.rules[name] for name in ids]

    def _axis_settled(
        self,
        axis: str,
        now: Sizing,
        certain: Sizing,
        undecided: Sequence[_Offered],
        firing: Firing,
        outlook: Outlook,
    ) -> bool:
        """Whether no answer to anything unknown can change the first value on ``axis``.

        ``certain``: by rules that must fire; ``undecided``: what rules offer that may fire and need not.
        """
        choice = now.axes[axis]
        if not choice.candidates or certain.axes[axis].candidates[:1] != choice.candidates[:1]:
            return False
        value_at = self.ruleset.axes[axis].value_at
        first = choice.candidates[0]
        floor = strength(certain.axes[axis].basis or "assumed", certain.axes[axis].priority), certain.axes[axis].place
        of_first = [(rule, weight) for rule, weight in undecided if value_at(weight[1]) == first]
        return all(
            weight >= floor or value_at(weight[1]) == first or self._outdone(rule, weight, of_first, firing, outlook)
            for rule, weight in undecided
        )

    def _outdone(
        self, rule: str, weight: Weight, of_first: Iterable[_Offered], firing: Firing, outlook: Outlook
    ) -> bool:
        """Whether one of ``of_first`` is made wherever ``rule`` fires, with no less strength than ``rule`` offers else."""
        return any(
            other <= weight and self._possibilities.accompanies(name, rule, firing, outlook) for name, other in of_first
        )

    # --- trying answers --------------------------------------------------------------------------------------------

    def _rank(
        self, facts: Mapping[str, FactValue], firing: Firing, now: Sizing, involved: list[str]
    ) -> tuple[MeasureNext, ...]:
        questions = self._questions(facts, involved)
        found = [entry for group in questions if (entry := self._try(group, facts, firing, now.picture)) is not None]
        if not found:
            found = [self._entry((name,)) for name in involved]
        hangs = self._conditional(now)
        first = [entry for entry in found if hangs & set(entry.axes)]
        return (*first, *sorted((entry for entry in found if entry not in first), key=lambda entry: -entry.information))

    def _conditional(self, now: Sizing) -> set[str]:
        """The axes whose value only holds under a condition: what could change them is asked first, in vocabulary order."""
        return {
            name
            for name, choice in now.axes.items()
            if choice.basis == "assumed" and choice.candidates[0] in self.ruleset.axes[name].conditions
        }

    def _questions(self, facts: Mapping[str, FactValue], involved: list[str]) -> list[tuple[str, ...]]:
        """Each unknown fact on its own, or with the unknown facts that a computation needs beside it."""
        partners: dict[str, tuple[str, ...]] = {}
        for computed in self._computed:
            missing = [name for name in computed if name not in facts]
            for name in missing:
                partners.setdefault(name, tuple(other for other in missing if other != name))
        groups: dict[frozenset[str], tuple[str, ...]] = {}
        for name in involved:
            group = (name, *(other for other in partners.get(name, ()) if other in involved))
            groups.setdefault(frozenset(group), group)
        return list(groups.values())

    def _involved(self, facts: Mapping[str, FactValue], open_axes: set[str], outlook: Outlook) -> list[str]:
        """Unknown facts that an observer can give and that the size may still hang on, in vocabulary order.

        These are what rules read that may yet withhold a size or offer one on an axis that is not settled, and what the
        rules read that conclude such facts.
        """
        waiting = [
            rule
            for rule in self._rules(outlook.undecided)
            if rule.then.holds or any(offer.axis in open_axes for offer in rule.then.sizes)
        ]
        read: set[str] = set()
        while waiting:
            fresh = waiting.pop().reads - read - facts.keys()
            read |= fresh
            concluding = [rule for fact in fresh for rule in self.ruleset.concluding.get(fact, ())]
            waiting += [rule for rule in concluding if rule.id in outlook.may]
        return [name for name in self._given if name in read and name in outlook.open_facts]

    def _try(
        self, group: tuple[str, ...], facts: Mapping[str, FactValue], firing: Firing, now: Picture
    ) -> MeasureNext | None:
        outcomes = Counter(self._changes.pictures(facts, firing, group, self._answers(group)))
        others = [picture for picture in outcomes if picture != now]
        if not others:
            return None
        changed = tuple(
            axis
            for position, axis in enumerate(self.ruleset.axes)
            if any(picture[position] != now[position] for picture in others)
        )
        held = set(now[-1])
        withheld = any(not set(holds) <= held or (held and not holds) for *_, holds in others)
        return self._entry(group, changed, withheld, round(_entropy(outcomes), 3))

    def _entry(
        self, group: tuple[str, ...], axes: tuple[str, ...] = (), could_withhold: bool = False, information: float = 0.0
    ) -> MeasureNext:
        """The question for the first of ``group``, with the others beside it."""
        definition, *beside = (self.ruleset.vocabulary[name] for name in group)
        return MeasureNext(
            fact=definition.name,
            label=definition.label,
            ask=definition.ask or definition.meaning,
            with_facts=group[1:],
            with_labels=tuple(fact.label for fact in beside),
            axes=axes,
            could_withhold=could_withhold,
            information=information,
        )

    def _answers(self, group: tuple[str, ...]) -> list[dict[str, FactValue]]:
        """Answers to all facts of ``group`` that stand for the rest; worked out once."""
        if group in self._answered:
            return self._answered[group]
        steps = _STEPS_ALONE if len(group) == 1 else _STEPS_TOGETHER
        combined: list[dict[str, FactValue]] = [{}]
        for name in group:
            values = representatives(self.ruleset.vocabulary[name], self._cuts.get(name, frozenset()), steps)
            combined = [{**answers, name: value} for answers in combined for value in values]
        self._answered[group] = combined
        return combined

    @cached_property
    def _given(self) -> tuple[str, ...]:
        """The facts that an observer can give, in vocabulary order."""
        return tuple(name for name, fact in self.ruleset.vocabulary.items() if fact.given != "concluded")

    @cached_property
    def _computed(self) -> tuple[tuple[str, ...], ...]:
        """The facts of each computation that have to be given, in the order of the rules."""
        expressed = (one.expression for rule in self._expected.rules.values() for one in rule.then.conclusions)
        worked_out = {name for name, fact in self.ruleset.vocabulary.items() if fact.given == "either"}
        return tuple(tuple(sorted(expressions.names(one) - worked_out)) for one in expressed if one is not None)

    @cached_property
    def _cuts(self) -> Mapping[str, frozenset[float]]:
        """For each number, the thresholds that sizing rules compare it with."""
        return cuts(self._expected)


def _without_doubts(ruleset: Ruleset) -> Ruleset:
    """``ruleset`` for answers that go together: without the rules that only conclude what nobody foresees."""
    strata = (
        tuple(rule for rule in stratum if not rule.writes or rule.writes - ruleset.unforeseen)
        for stratum in ruleset.strata
    )
    return replace(ruleset, strata=tuple(stratum for stratum in strata if stratum))


def cuts(ruleset: Ruleset) -> Mapping[str, frozenset[float]]:
    """For each number that rules of ``ruleset`` compare, the thresholds, in the fact's unit."""
    found: dict[str, set[float]] = {}
    for rule in ruleset.rules.values():
        for comparison in comparisons(rule.when):
            values = comparison.value if isinstance(comparison.value, tuple) else (comparison.value,)
            numbers = [v for v in values if isinstance(v, (int, float)) and not isinstance(v, bool)]
            found.setdefault(comparison.fact, set()).update(numbers)
    return {name: frozenset(values) for name, values in found.items()}


def representatives(fact: FactDefinition, cuts: Iterable[float], steps: int) -> tuple[FactValue, ...]:
    """Answers for ``fact`` that reach each of ``cuts`` and each side of it, or every code, or both truths.

    ``cuts`` are numbers in the unit of the fact. Without them a number gets ``steps`` answers spread evenly over its
    plausible range.
    """
    if fact.type == "boolean":
        return (False, True)
    if fact.type == "code":
        return fact.values
    low, high = fact.range or (0.0, 1000.0)
    inner = sorted({cut for cut in cuts if low <= cut <= high})
    points = {low, high, *inner}
    ends = [low, *inner, high]
    points.update((a + b) / 2 for a, b in pairwise(ends))
    if not inner:
        points.update(low + (high - low) * step / (steps - 1) for step in range(steps))
    points = {float(fact.on_step(point)) for point in points}
    return tuple(sorted(points))


def _entropy(outcomes: Counter[Picture]) -> float:
    total = sum(outcomes.values())
    return -sum(count / total * math.log2(count / total) for count in outcomes.values()) + 0.0
