"""How the size changes with an answer, worked out again only for the rules that the answer can reach.

Trying answers is the greater part of what a decision takes. An answer reaches the rules that read its fact, those that read
what these conclude, and so on down the layers; every other rule fires as it did.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from rules.evaluation.hit_policy import Picture
from rules.evaluation.interpreter import Firing, conclusion_value
from rules.model.conditions import needed_facts
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset, Weight, by_priority


@dataclass(frozen=True)
class _Reach:
    """What answers to some facts can reach: rules whose firing may change, and facts whose conclusion may.

    ``layers`` are these rules and all that conclude these facts, layer by layer, of each layer the highest priority first.
    """

    rules: frozenset[str]
    concluded: frozenset[str]
    layers: tuple[tuple[Rule, ...], ...]


class _Candidate(NamedTuple):
    """A rule that may fire, and whether answers can reach it; one that they cannot reach fires."""

    rule: Rule
    is_reached: bool


class SizingChanges:
    """Tries answers on one ruleset, the sizing part of the knowledge. May be shared between threads."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Prepare what each rule needs."""
        self._ruleset = ruleset
        self._needed = {rule.id: needed_facts(rule.positive) for rule in ruleset.rules.values()}
        self._reaches: dict[tuple[str, ...], _Reach] = {}

    def pictures(
        self,
        recorded: Mapping[str, FactValue],
        firing: Firing,
        group: tuple[str, ...],
        answers: Iterable[Mapping[str, FactValue]],
    ) -> Iterable[Picture]:
        """The picture of the size for each of ``answers`` to the facts of ``group``, which ``recorded`` lacks.

        ``firing`` is the evaluation of ``recorded``.
        """
        reach = self._reaches.get(group)
        if reach is None:
            reach = self._reaches[group] = self._reach(group)
        kept = {fact: value for fact, value in firing.facts.items() if fact in recorded or fact not in reach.concluded}
        picture = _Picture(self._ruleset)
        picture.add([rule for rule in firing.fired if rule.id not in reach.rules])
        layers = self._candidates(reach, firing, group)
        for answer in answers:
            changed = picture.copy()
            changed.add(self._fired(layers, {**kept, **answer}))
            yield changed.finished()

    def _candidates(self, reach: _Reach, firing: Firing, group: tuple[str, ...]) -> list[list[_Candidate]]:
        """Layer by layer what can fire once the facts of ``group`` are known; most rules wait for something else besides."""
        before = {rule.id for rule in firing.fired}
        available = {*firing.facts, *group}
        layers: list[list[_Candidate]] = []
        for layer in reach.layers:
            found = []
            for rule in layer:
                is_reached = rule.id in reach.rules
                if available.issuperset(self._needed[rule.id]) if is_reached else rule.id in before:
                    found.append(_Candidate(rule, is_reached))
            if found:
                layers.append(found)
                available.update(*(candidate.rule.writes for candidate in found))
        return layers

    def _reach(self, group: tuple[str, ...]) -> _Reach:
        changing, reached = set(group), set()
        for rule in self._ruleset.rules.values():
            if not changing.isdisjoint(rule.reads):
                reached.add(rule.id)
                changing |= rule.writes
        concluded = frozenset(changing.difference(group))
        layers = (
            [rule for rule in stratum if rule.id in reached or not concluded.isdisjoint(rule.writes)]
            for stratum in self._ruleset.strata
        )
        return _Reach(
            frozenset(reached),
            concluded,
            tuple(tuple(by_priority(layer)) for layer in layers if layer),
        )

    def _fired(self, layers: Iterable[Iterable[_Candidate]], known: dict[str, FactValue]) -> list[Rule]:
        """The rules that answers can reach and that fire where ``known`` is known; what they conclude is added to it."""
        fired: list[Rule] = []
        for layer in layers:
            matched = [each for each in layer if not each.is_reached or each.rule.fires(known)]
            for rule, is_reached in matched:
                for conclusion in rule.then.conclusions:
                    if conclusion.fact not in known:
                        value = conclusion_value(conclusion, known)
                        if value is not None and self._ruleset.vocabulary[conclusion.fact].problem(value) is None:
                            known[conclusion.fact] = value
                if is_reached:
                    fired.append(rule)
        return fired


class _Picture:
    """The strongest offer of each axis, the smaller value first, and the reasons to withhold, rule by rule."""

    def __init__(self, ruleset: Ruleset) -> None:
        self._ruleset = ruleset
        self._best: dict[str, Weight | None] = dict.fromkeys(ruleset.axes)
        self._holds: set[str] = set()

    def copy(self) -> _Picture:
        made = _Picture.__new__(_Picture)
        made._ruleset, made._best, made._holds = self._ruleset, dict(self._best), set(self._holds)
        return made

    def add(self, rules: Iterable[Rule]) -> None:
        for rule in rules:
            for axis, weight in self._ruleset.offers.get(rule.id, ()):
                best = self._best[axis]
                if best is None or weight < best:
                    self._best[axis] = weight
            for hold in rule.then.holds:
                self._holds.add(hold.text)

    def finished(self) -> Picture:
        firsts = [
            () if best is None else (axis.value_at(best[1]),)
            for axis, best in zip(self._ruleset.axes.values(), self._best.values(), strict=True)
        ]
        return (*firsts, tuple(sorted(self._holds)))
