"""What stands in the way of a conclusion: the unknown facts that its rules wait for next.

A condition under ``all`` is read in stages, in the order written: a run of observable facts is one stage, a concluded fact is
one of its own. Only the first undecided stage is asked for, so that a question never comes before the one that allows it.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.model.conditions import AllOf, AnyOf, Condition, Leaf, evaluate
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset


def missing_for(ruleset: Ruleset, fact: str, facts: Mapping[str, FactValue]) -> tuple[str, ...]:
    """Observable facts to be found out next so that a rule can conclude ``fact``, in vocabulary order; empty where none can.

    A fact that can be observed or concluded is asked for directly; rules with ``asks: false`` ask for nothing.
    """
    search = _Search(ruleset, facts)
    search.conclude(fact)
    return tuple(name for name in ruleset.vocabulary if name in search.found)


class _Search:
    """One search for what is missing: observable facts found, concluded facts already looked into."""

    def __init__(self, ruleset: Ruleset, facts: Mapping[str, FactValue]) -> None:
        self.ruleset = ruleset
        self.facts = facts
        self.found: set[str] = set()
        self.seen: set[str] = set()

    def learn(self, fact: str) -> None:
        """Ask for ``fact`` where it can be observed; else for what its rules wait for."""
        if self.concluded(fact):
            self.conclude(fact)
        else:
            self.found.add(fact)

    def conclude(self, fact: str) -> None:
        if fact in self.seen:
            return
        self.seen.add(fact)
        for rule in self.ruleset.concluding.get(fact, ()):
            if not rule.asks:
                continue
            truth = evaluate(rule.when, self.facts)
            if truth is None:
                waiting = frozenset(leaf.fact for leaf in self.undecided(rule.positive))
            elif truth:
                waiting = rule.reads - self.facts.keys()
            else:
                continue
            for name in waiting:
                self.learn(name)

    def concluded(self, fact: str) -> bool:
        return self.ruleset.vocabulary[fact].given == "concluded"

    def undecided(self, condition: Condition) -> list[Leaf]:
        """The comparisons that leave ``condition`` unknown, of an ``all`` only those of its first undecided stage."""
        if evaluate(condition, self.facts) is not None:
            return []
        match condition:
            case AllOf(children):
                return self.first_stage([found for child in children if (found := self.undecided(child))])
            case AnyOf(children):
                return [leaf for child in children for leaf in self.undecided(child)]
        return [condition]  # type: ignore[list-item]  # negation is pushed down, so only a leaf is left

    def first_stage(self, parts: list[list[Leaf]]) -> list[Leaf]:
        stage: list[Leaf] = []
        for part in parts:
            if any(self.concluded(leaf.fact) for leaf in part):
                return stage or part
            stage.extend(part)
        return stage
