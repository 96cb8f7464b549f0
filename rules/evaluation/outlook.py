"""What could still become true: every condition evaluated for all ways in which unknown facts might turn out at once.

The result over-approximates (it may call something possible that is not), never the other way round: what it calls
impossible cannot happen, so a size that it calls settled is settled.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from rules.evaluation.interpreter import Firing
from rules.model.compiled_conditions import OpenTest, certainly
from rules.model.conditions import AllOf, Condition
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


class Possibilities:
    """The outlook of one ruleset."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Prepare ``ruleset``."""
        self._ruleset = ruleset
        self._conjuncts: dict[str, tuple[tuple[Condition, OpenTest], ...]] = {}

    @cached_property
    def _concluding(self) -> tuple[tuple[tuple[Rule, frozenset[str]], ...], ...]:
        """Layer by layer the rules that conclude something foreseen, and what."""
        unforeseen = self._ruleset.unforeseen
        return tuple(
            tuple((rule, rule.writes - unforeseen) for rule in stratum if rule.writes - unforeseen)
            for stratum in self._ruleset.strata
        )

    @cached_property
    def _observable(self) -> frozenset[str]:
        return frozenset(name for name, fact in self._ruleset.vocabulary.items() if fact.open)

    @cached_property
    def _refutable(self) -> frozenset[str]:
        return frozenset(name for name, fact in self._ruleset.vocabulary.items() if fact.refutable)

    def outlook(self, recorded: Mapping[str, FactValue], firing: Firing) -> Outlook:
        """What may and must fire once unknown facts are learned. ``firing`` is the evaluation of ``recorded``."""
        open_facts = set((self._observable | (self._refutable & firing.concluded_by.keys())) - recorded.keys())
        must: set[str] = set()
        may: set[str] = set()
        for layer, stratum in enumerate(self._ruleset.strata):
            for rule in stratum:
                if rule.may_fire(firing.facts, open_facts):
                    may.add(rule.id)
                    if rule.must_fire(firing.facts, open_facts):
                        must.add(rule.id)
            for rule, foreseen in self._concluding[layer]:
                # What a rule concludes that fires whatever is learned, of facts that stay, stays as it is.
                if rule.id in may and (rule.id not in must or not rule.reads.isdisjoint(open_facts)):
                    open_facts |= foreseen - recorded.keys()
        return Outlook(frozenset(must), frozenset(may), frozenset(open_facts))

    def accompanies(self, one: str, other: str, firing: Firing, outlook: Outlook) -> bool:
        """Whether the rule ``one`` fires wherever ``other`` does: what it asks for is certain, or asked for by ``other`` too.

        ``one`` and ``other`` are ids of rules; ``firing`` holds what is known of the patient, ``outlook`` what is still
        open.
        """
        missing = [part for part, certain in self._parts(one) if not certain(firing.facts, outlook.open_facts)]
        return not missing or set(missing) <= set(conjuncts(self._ruleset.rules[other].positive))

    def _parts(self, rule: str) -> tuple[tuple[Condition, OpenTest], ...]:
        """The conjuncts of ``rule``, each with the test whether it is certain; compiled when first asked for."""
        found = self._conjuncts.get(rule)
        if found is None:
            found = tuple((part, certainly(part)) for part in conjuncts(self._ruleset.rules[rule].positive))
            self._conjuncts[rule] = found
        return found


def conjuncts(condition: Condition) -> tuple[Condition, ...]:
    """The conditions that must all hold for ``condition``: its parts, or itself."""
    return condition.children if isinstance(condition, AllOf) else (condition,)
