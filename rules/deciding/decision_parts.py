"""Parts of a decision that follow from a few rules alone: made and validated once for each combination, and shared afterwards.

A decision is immutable through and through, so two of them may hold the same task.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from rules.evaluation.task_merging import MergedTask, merge
from rules.model.compiled_conditions import TestOfEach, each
from rules.model.conditions import describe, grounds
from rules.model.decision import Caution, Leaflet, LeafletSection, Task
from rules.model.ruleset import CautionText, EvidenceKind, Ruleset

_MOST_KEPT = 1024
"""Combinations of rules that are kept for each kind of part; patients differ in far fewer."""


@dataclass(frozen=True)
class Compared:
    """What a rule compares, for the trace: whether each comparison is a ground, its words and fact, and the rule's evidence."""

    truths: TestOfEach
    comparisons: tuple[tuple[str, str], ...]
    evidence: tuple[EvidenceKind, ...]


class DecisionParts:
    """The parts for one ruleset. May be shared between threads."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Prepare ``ruleset``; nothing is made yet."""
        self._ruleset = ruleset
        self._of_wear = frozenset(
            call.task
            for rule in ruleset.rules.values()
            for call in rule.then.tasks
            if call.timing.within_wear_hours is not None
        )
        self.unsettling = tuple(name for name, fact in ruleset.vocabulary.items() if fact.unsettles)
        """The facts that leave no size settled while they are true."""
        self._kept_task = lru_cache(_MOST_KEPT)(self._task)
        self.caution = lru_cache(_MOST_KEPT)(self._caution)
        self.leaflets = lru_cache(_MOST_KEPT)(self._leaflets)
        self.compared = lru_cache(len(ruleset.rules))(self._compared)

    def task(self, name: str, rules: tuple[str, ...], worn: float | None) -> Task:
        """The task ``name``, which ``rules`` ask for, after ``worn`` hours in the collar (None: not known)."""
        # Hours differ from patient to patient; most tasks do not count them, and are shared.
        return self._kept_task(name, rules, worn if name in self._of_wear else None)

    def _task(self, name: str, rules: tuple[str, ...], worn: float | None) -> Task:
        """The task ``name`` from all the ``rules`` that ask for it: strictest timing, all hands, every reason."""
        asking = [self._ruleset.rules[rule] for rule in rules]
        calls = [call for rule in asking for call in rule.then.tasks if call.task == name]
        definition = self._ruleset.tasks[name]
        merged = merge(definition, calls)
        timing = merged.timing.counted_from_now(worn)
        return Task(
            task=name,
            title=definition.title,
            instruction=definition.instruction,
            details=tuple(dict.fromkeys(call.detail for call in calls if call.detail)),
            request=definition.request,
            timing=timing,
            timing_words=timing.describe(self._ruleset.triggers),
            begins=timing.first(self._ruleset.triggers),
            performer=merged.performer,
            performer_words=self._ruleset.roles[merged.performer],
            people=merged.people,
            hands=self._hands(merged),
            location=definition.location,
            outcome=definition.outcome,
            reasons=tuple(dict.fromkeys(rule.because for rule in asking)),
            rules=rules,
        )

    def _hands(self, merged: MergedTask) -> tuple[str, ...]:
        """What each of the people does, in the order of the knowledge; with the number where several do the same."""
        counts = dict(merged.hands)
        return tuple(
            hand.words if counts[name] == 1 else f"{hand.words} ({counts[name]} people)"
            for name, hand in self._ruleset.hands.items()
            if counts.get(name)
        )

    @staticmethod
    def _caution(said: CautionText, rules: tuple[str, ...]) -> Caution:
        return Caution(severity=said.severity, summary=said.summary, text=said.text, rules=rules, leads=said.leads)

    def _leaflets(self, chosen: tuple[str, ...]) -> tuple[Leaflet, ...]:
        """The instructions ``chosen``, in each language."""
        if not chosen:
            return ()
        return tuple(
            Leaflet(
                language=leaflet.language,
                title=leaflet.title,
                notice=leaflet.notice,
                sections=tuple(
                    LeafletSection(instruction=name, title=leaflet.texts[name].title, lines=leaflet.texts[name].lines)
                    for name in chosen
                ),
            )
            for leaflet in self._ruleset.leaflets.values()
        )

    def _compared(self, name: str) -> Compared:
        rule = self._ruleset.rules[name]
        compared = grounds(rule.positive)
        words = tuple((describe(leaf), leaf.fact) for leaf in compared)
        return Compared(each(compared.values()), words, self._ruleset.evidence(rule))
