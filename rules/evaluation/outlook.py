"""What could still become true: every condition evaluated for all ways in which unknown facts might turn out at once.

The result over-approximates (it may call something possible that is not), never the other way round: what it calls
impossible cannot happen, so a size that it calls settled is settled.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from dataclasses import dataclass
from functools import cached_property

from rules.evaluation.interpreter import Firing
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, Unknown, UnlessKnownNot, evaluate
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset


@dataclass(frozen=True)
class Outlook:
    """Which rules must fire and which may, whatever is learned of the unknown facts; and which facts may change at all."""

    must: frozenset[str]
    may: frozenset[str]
    open_facts: frozenset[str]

    @cached_property
    def undecided(self) -> frozenset[str]:
        """Rules that may fire and need not."""
        return self.may - self.must


@dataclass(frozen=True)
class _Truths:
    """Which outcomes a condition can have."""

    can_be_true: bool
    can_fail: bool


class Possibilities:
    """The outlook of one ruleset."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Prepare ``ruleset``."""
        self._ruleset = ruleset

    @cached_property
    def _observable(self) -> frozenset[str]:
        return frozenset(name for name, fact in self._ruleset.vocabulary.items() if fact.open)

    def outlook(self, recorded: Mapping[str, FactValue], firing: Firing) -> Outlook:
        """What may and must fire once unknown facts are learned. ``firing`` is the evaluation of ``recorded``."""
        open_facts = set(self._observable - recorded.keys())
        must: set[str] = set()
        may: set[str] = set()
        for stratum in self._ruleset.strata:
            for rule in stratum:
                truths = _possible(rule.positive, firing.facts, open_facts)
                if truths.can_be_true:
                    may.add(rule.id)
                if not truths.can_fail:
                    must.add(rule.id)
            for rule in stratum:
                if rule.id in may:
                    open_facts.update(self._opened(rule, rule.id in must, recorded, open_facts))
        return Outlook(frozenset(must), frozenset(may), frozenset(open_facts))

    def accompanies(self, one: str, other: str, firing: Firing, outlook: Outlook) -> bool:
        """Whether the rule ``one`` fires wherever ``other`` does: what it asks for is certain, or asked for by ``other`` too."""
        shared = set(conjuncts(self._ruleset.rules[other].positive))
        return all(
            part in shared or not _possible(part, firing.facts, outlook.open_facts).can_fail
            for part in conjuncts(self._ruleset.rules[one].positive)
        )

    def _opened(self, rule: Rule, fires: bool, recorded: Mapping[str, FactValue], open_facts: set[str]) -> set[str]:
        """The facts that ``rule`` concludes and whose value is not certain to stay as it is."""
        changing = not fires or bool(rule.reads & open_facts)
        foreseen = {fact for fact in rule.writes if self._ruleset.vocabulary[fact].foreseen}
        return {fact for fact in foreseen if fact not in recorded and changing}


def conjuncts(condition: Condition) -> tuple[Condition, ...]:
    """The conditions that must all hold for ``condition``: its parts, or itself."""
    return condition.children if isinstance(condition, AllOf) else (condition,)


def _possible(condition: Condition, facts: Mapping[str, FactValue], open_facts: Set[str]) -> _Truths:
    match condition:
        case Compare(fact) | Known(fact) | Unknown(fact) | UnlessKnownNot(Compare(fact)):
            if fact in open_facts:
                return _Truths(can_be_true=True, can_fail=True)
            truth = evaluate(condition, facts)
            return _Truths(can_be_true=truth is True, can_fail=truth is not True)
        case AllOf(children):
            found = [_possible(child, facts, open_facts) for child in children]
            return _Truths(all(t.can_be_true for t in found), any(t.can_fail for t in found))
        case AnyOf(children):
            found = [_possible(child, facts, open_facts) for child in children]
            return _Truths(any(t.can_be_true for t in found), all(t.can_fail for t in found))
    raise TypeError(f"negation must be pushed down first: {condition!r}")
