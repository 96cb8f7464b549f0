"""What stands in the way of a conclusion: the unknown facts that its rules wait for next.

A condition under ``all`` is read in stages, in the order written: a run of observable facts is one stage, a concluded fact is
one of its own. Only the first undecided stage is asked for, so that a question never comes before the one that allows it.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.model.conditions import AllOf, AnyOf, Condition, Leaf, NoneOf, evaluate
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset


def missing_for(ruleset: Ruleset, fact: str, facts: Mapping[str, FactValue]) -> tuple[str, ...]:
    """Observable facts to be found out next so that a rule can conclude ``fact``, in vocabulary order; empty where none can.

    A fact that can be observed or concluded is asked for directly; rules with ``asks: false`` ask for nothing.
    ``facts`` holds what is recorded, in the units of ``ruleset``.
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
            truth, undecided = self.undecided(rule.positive)
            if truth is None:
                waiting = frozenset(leaf.fact for leaf in undecided)
            elif truth:
                waiting = rule.reads - self.facts.keys()
            else:
                continue
            for name in waiting:
                self.learn(name)

    def concluded(self, fact: str) -> bool:
        return self.ruleset.vocabulary[fact].given == "concluded"

    def undecided(self, condition: Condition) -> tuple[bool | None, list[Leaf]]:
        """The truth of ``condition``, and where it is unknown the comparisons that leave it so.

        Of an ``all`` these are only those of its first undecided stage.
        """
        match condition:
            case AllOf(children):
                return self.joined(children, settles=False)
            case AnyOf(children):
                return self.joined(children, settles=True)
            case NoneOf():
                raise TypeError(f"negation must be pushed down first: {condition!r}")
        truth = evaluate(condition, self.facts)
        return truth, [condition] if truth is None else []

    def joined(self, children: tuple[Condition, ...], *, settles: bool) -> tuple[bool | None, list[Leaf]]:
        """The same for several, of which one whose truth ``settles`` the whole is enough."""
        parts: list[list[Leaf]] = []
        for child in children:
            truth, leaves = self.undecided(child)
            if truth is settles:
                return settles, []
            if truth is None:
                parts.append(leaves)
        if not parts:
            return not settles, []
        return None, [leaf for part in parts for leaf in part] if settles else self.first_stage(parts)

    def first_stage(self, parts: list[list[Leaf]]) -> list[Leaf]:
        stage: list[Leaf] = []
        for part in parts:
            if any(self.concluded(leaf.fact) for leaf in part):
                return stage or part
            stage.extend(part)
        return stage
