"""What stands in the way of a conclusion: the unknown facts that its rules still wait for."""

from __future__ import annotations

from collections.abc import Mapping

from rules.conditions import Condition, Leaf, evaluate, without_negation
from rules.facts import FactValue
from rules.ruleset import Ruleset


def missing_for(ruleset: Ruleset, fact: str, facts: Mapping[str, FactValue]) -> tuple[str, ...]:
    """Observable facts whose answer could make a rule conclude ``fact``, in vocabulary order; empty where none can."""
    found: set[str] = set()
    _collect(ruleset, fact, facts, found, set())
    return tuple(name for name in ruleset.vocabulary if name in found)


def _collect(ruleset: Ruleset, fact: str, facts: Mapping[str, FactValue], found: set[str], seen: set[str]) -> None:
    if fact in seen:
        return
    seen.add(fact)
    if ruleset.vocabulary[fact].given != "concluded":
        found.add(fact)
    for rule in ruleset.rules.values():
        if fact in rule.writes and evaluate(rule.when, facts) is not False:
            waiting = {leaf.fact for leaf in _undecided(without_negation(rule.when), facts)}
            waiting |= {name for name in rule.reads if name not in facts and evaluate(rule.when, facts) is True}
            for name in waiting:
                _collect(ruleset, name, facts, found, seen)


def _undecided(condition: Condition, facts: Mapping[str, FactValue]) -> list[Leaf]:
    """The comparisons that leave ``condition`` unknown."""
    if evaluate(condition, facts) is not None:
        return []
    children = getattr(condition, "children", None)
    if children is None:
        return [condition]  # type: ignore[list-item]
    return [leaf for child in children for leaf in _undecided(child, facts)]
