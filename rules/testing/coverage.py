"""What the worked cases reach: each rule once firing and once as a near miss, and each comparison once decisive."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass

from rules.errors import Place
from rules.evaluation.interpreter import Firing, fire
from rules.loading.source_map import SourceMap
from rules.model.conditions import (
    ALWAYS,
    NEVER,
    Condition,
    ConditionPath,
    Leaf,
    describe,
    evaluate,
    parts,
    replaced,
)
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset
from rules.testing.cases import Case


@dataclass(frozen=True)
class RuleCoverage:
    """How the cases meet one rule.

    ``fires`` and ``silent`` are cases that name it so; ``near`` those of ``silent`` in which a single comparison kept it from
    firing; ``seen`` counts the cases in which it fired at all.
    """

    rule: str
    place: Place
    fires: tuple[str, ...]
    silent: tuple[str, ...]
    near: tuple[str, ...]
    seen: int
    never_silent: bool

    @property
    def missing(self) -> tuple[str, ...]:
        """What is still wanted, in words. A rule whose condition is ``always`` has no near miss."""
        wanted = []
        if not self.fires:
            wanted.append("no case names it under fires")
        if not self.silent and not self.never_silent:
            wanted.append("no case names it under silent")
        return tuple(wanted)


@dataclass(frozen=True)
class ComparisonCoverage:
    """How often one comparison decided whether its rule fired: by being true (``held``), and by not being true (``blocked``)."""

    rule: str
    text: str
    place: Place
    held: int
    blocked: int

    @property
    def missing(self) -> tuple[str, ...]:
        """What is still wanted, in words."""
        wanted = []
        if not self.held:
            wanted.append("never the one that makes the rule fire")
        if not self.blocked:
            wanted.append("never the one that keeps the rule silent")
        return tuple(wanted)


@dataclass(frozen=True)
class Coverage:
    """Coverage of all rules and comparisons by a set of cases."""

    rules: tuple[RuleCoverage, ...]
    comparisons: tuple[ComparisonCoverage, ...]

    def of(self, rules: Container[str]) -> Coverage:
        """The same for ``rules`` (ids) alone."""
        return Coverage(
            tuple(rule for rule in self.rules if rule.rule in rules),
            tuple(comparison for comparison in self.comparisons if comparison.rule in rules),
        )

    @property
    def complete(self) -> bool:
        """Whether every rule is named once as firing and once as silent."""
        return not any(rule.missing for rule in self.rules)


def measure(ruleset: Ruleset, cases: Iterable[Case], written: SourceMap) -> Coverage:
    """The coverage of ``ruleset`` by ``cases``; ``written`` tells where each comparison stands in the files."""
    cases = list(cases)
    firings = {case.name: fire(ruleset, case.facts) for case in cases}
    fired = {name: {rule.id for rule in firing.fired} for name, firing in firings.items()}
    decisive = _decisive(ruleset, firings)
    found: list[RuleCoverage] = []
    comparisons: list[ComparisonCoverage] = []
    for rule in ruleset.rules.values():
        blocked_by_one = {case for _, cases in decisive[rule.id].blocked.items() for case in cases}
        silent = tuple(case.name for case in cases if rule.id in case.silent)
        found.append(
            RuleCoverage(
                rule=rule.id,
                place=rule.place,
                fires=tuple(case.name for case in cases if rule.id in case.fires),
                silent=silent,
                near=tuple(case for case in silent if case in blocked_by_one),
                seen=sum(rule.id in names for names in fired.values()),
                never_silent=rule.when == ALWAYS,
            )
        )
        comparisons.extend(_comparisons(rule, decisive[rule.id], written))
    return Coverage(tuple(found), tuple(comparisons))


class _Decisive:
    """For one rule, the cases in which each comparison alone decided: by path in the condition."""

    def __init__(self) -> None:
        self.held: dict[ConditionPath, list[str]] = defaultdict(list)
        self.blocked: dict[ConditionPath, list[str]] = defaultdict(list)


def _decisive(ruleset: Ruleset, firings: dict[str, Firing]) -> dict[str, _Decisive]:
    found = {name: _Decisive() for name in ruleset.rules}
    for rule in ruleset.rules.values():
        leaves = [(path, part) for path, part in parts(rule.when) if isinstance(part, Leaf)]
        variants = [
            (path, part, replaced(rule.when, path, ALWAYS), replaced(rule.when, path, NEVER)) for path, part in leaves
        ]
        for facts, cases in alike(rule, {case: firing.facts for case, firing in firings.items()}):
            fires = evaluate(rule.when, facts) is True
            for path, part, if_true, if_false in variants:
                if _decides(part, if_true, if_false, facts, fires):
                    (found[rule.id].held if fires else found[rule.id].blocked)[path].extend(cases)
    return found


def alike(
    rule: Rule, facts: Mapping[str, Mapping[str, FactValue]]
) -> Iterator[tuple[Mapping[str, FactValue], list[str]]]:
    """The cases (``facts`` by name of case) in groups that know the same of what ``rule`` reads, with the facts of one of them."""
    names = sorted(rule.reads)
    groups: dict[tuple[FactValue | None, ...], list[str]] = defaultdict(list)
    for case, known in facts.items():
        groups[tuple(known.get(name) for name in names)].append(case)
    for cases in groups.values():
        yield facts[cases[0]], cases


def _decides(
    part: Condition, if_true: Condition, if_false: Condition, facts: Mapping[str, FactValue], fires: bool
) -> bool:
    """Whether the rule would do otherwise, were this one comparison otherwise."""
    truth = evaluate(part, facts)
    others = [if_false] if truth is True else [if_true] if truth is False else [if_true, if_false]
    return any((evaluate(other, facts) is True) != fires for other in others)


def _comparisons(rule: Rule, decisive: _Decisive, written: SourceMap) -> Iterable[ComparisonCoverage]:
    places = written.conditions(rule.id)
    for path, part in parts(rule.when):
        if isinstance(part, Leaf):
            yield ComparisonCoverage(
                rule.id, describe(part), places[path], len(decisive.held[path]), len(decisive.blocked[path])
            )
