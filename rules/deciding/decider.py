"""From fired rules to the Decision: hit policies, merged tasks and cautions, what to find out next, and the trace."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from math import inf

from rules.deciding.band_probability import band_probabilities, share_in_words
from rules.deciding.decision_parts import Compared, DecisionParts
from rules.deciding.questions import MOST_ASKED, asked_anew, dangers_not_recorded, questions
from rules.evaluation.durable_engine import Engine, Evaluator
from rules.evaluation.hit_policy import Sizing, candidates, choose
from rules.evaluation.information_gain import Prospects, Sizer
from rules.evaluation.interpreter import Firing
from rules.evaluation.missing_facts import missing_for
from rules.model.decision import (
    Assessment,
    AxisDecision,
    Candidate,
    Caution,
    Comparison,
    Decision,
    HoldNotice,
    Instruction,
    NotUsed,
    RulesetIdentity,
    Task,
    Trace,
    TraceEntry,
)
from rules.model.facts import FactValue, RecordedFact, Vocabulary
from rules.model.lazy_sequence import LazySequence
from rules.model.ruleset import BASES, SEVERITIES, Basis, CautionText, Hold, Ruleset

WORN = "collar_hours"
"""The fact from which deadlines that count from the start of wear are worked out."""


class Decider:
    """Decides for patients by one ruleset. Build it once a process; it may be shared between threads."""

    def __init__(
        self,
        ruleset: Ruleset,
        evaluator: Evaluator | None = None,
        prospects: Callable[[Mapping[str, FactValue], Firing], Prospects] | None = None,
    ) -> None:
        """Use ``ruleset``; ``evaluator`` says what fires (default: durable_rules).

        ``prospects`` says what could still change the size, by facts and what fired (default: the full search).
        """
        self.ruleset = ruleset
        self._evaluator = evaluator or Engine(ruleset)
        self._prospects = prospects or Sizer(ruleset).prospects
        self._parts = DecisionParts(ruleset)

    def warm_up(self) -> None:
        """Compile now what is otherwise compiled when first asked for. Raises EngineError where the rules engine fails."""
        for rule in self.ruleset.rules:
            self._parts.compared(rule)
        self.decide({}, datetime(2000, 1, 1, tzinfo=UTC))

    def decide(
        self,
        facts: Mapping[str, object] | Sequence[RecordedFact],
        at: datetime,
        not_used: Sequence[NotUsed] = (),
    ) -> Decision:
        """The decision for ``facts`` (plain values by name, or recorded facts) at the moment ``at`` (with time zone).

        ``not_used`` lists what the caller saw and refused; it is carried along, and a fact that is no longer used is added
        to it. Raises FactError where a fact cannot be
        used, ValueError where ``at`` has no time zone or a fact is given twice, EngineError where the rules engine fails.
        """
        if at.tzinfo is None:
            raise ValueError("the moment of decision needs a time zone, for example 2026-01-31T10:00:00Z")
        if isinstance(facts, Mapping):
            not_used = (*not_used, *_retired(self.ruleset.vocabulary, facts))
            known = self.ruleset.vocabulary.check(
                {n: v for n, v in facts.items() if n not in self.ruleset.vocabulary.retired}
            )
            recorded = [RecordedFact(name=name, value=value) for name, value in known.items()]
        else:
            recorded = list(facts)
            known = self.ruleset.vocabulary.check(_once(recorded))
        firing = self._evaluator.fire(known)
        sizing = choose(self.ruleset, firing.fired)
        writer = _DecisionWriter(self.ruleset, self._parts, recorded, firing, sizing, self._prospects(known, firing))
        return writer.write(at, not_used)


def _with_probabilities(options: Iterable[Candidate], axes: Mapping[str, AxisDecision]) -> Iterator[Candidate]:
    """``options`` with the probability of their estimated bands, in words where a band is named for the first time."""
    estimated = next((name for name, axis in axes.items() if axis.probabilities), None)
    if estimated is None:
        yield from options
        return
    said: set[str] = set()
    for option in options:
        band = option.size_class.values[estimated]
        share = axes[estimated].probabilities[band]
        why = option.why if band in said else f"{option.why}; {share_in_words(share)}"
        said.add(band)
        yield option.model_copy(update={"probability": share, "why": why})


def _retired(vocabulary: Vocabulary, facts: Mapping[str, object]) -> Iterable[NotUsed]:
    """The facts among ``facts`` that are no longer used, each with what to record instead."""
    for name, fact in vocabulary.retired.items():
        if facts.get(name) is not None:
            yield NotUsed(fact=name, value=str(facts[name])[:100], kind="retired", reason=fact.reason)


def _once(recorded: Sequence[RecordedFact]) -> dict[str, object]:
    names = [fact.name for fact in recorded]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"facts given more than once: {', '.join(twice)}; choose one value before deciding")
    return {fact.name: fact.value for fact in recorded}


class _DecisionWriter:
    """One decision being written down."""

    def __init__(
        self,
        ruleset: Ruleset,
        parts: DecisionParts,
        recorded: list[RecordedFact],
        firing: Firing,
        sizing: Sizing,
        prospects: Prospects,
    ) -> None:
        self.ruleset = ruleset
        self.parts = parts
        self.recorded = recorded
        self.firing = firing
        self.sizing = sizing
        self.prospects = prospects
        self.references = {fact.name: fact.reference for fact in recorded}

    def write(self, at: datetime, not_used: Sequence[NotUsed]) -> Decision:
        ruleset, sizing = self.ruleset, self.sizing
        axes = {name: self.axis(name) for name in ruleset.axes}
        options = tuple(_with_probabilities(candidates(ruleset, sizing), axes))
        fired = self.firing.fired
        instructions = self.instructions()
        asked = questions(ruleset, self.firing)
        anew = asked_anew(ruleset, self.prospects.measure_next, not_used, axes)
        tasks = self.tasks()
        return Decision(
            at=at,
            ruleset=RulesetIdentity(name=ruleset.name, version=ruleset.version, hash=ruleset.hash),
            size_class=options[0].size_class if options else None,
            candidates=options,
            confidence=self.confidence(),
            settled=self.prospects.settled and not self.size_doubted,
            axes=axes,
            holds=self.holds(),
            dangers_not_recorded=dangers_not_recorded(ruleset, asked, not_used),
            ask=(*anew, *asked)[:MOST_ASKED],
            measure_next=self.prospects.measure_next,
            cautions=self.cautions(tasks),
            tasks=tasks,
            instructions=instructions,
            leaflets=self.parts.leaflets(tuple(chosen.instruction for chosen in instructions)),
            assessments=LazySequence(ruleset.reported, self.assessment),
            facts=tuple(self.recorded),
            not_used=(*not_used, *self.refused()),
            local_changes=ruleset.local_changes,
            trace=Trace((rule.id for rule in fired), self.trace_entry, self.rests_on),
            sources={
                cited: ruleset.sources[cited].citation for cited in sorted({s for rule in fired for s in rule.sources})
            },
            disclaimer=ruleset.disclaimer,
        )

    @property
    def size_doubted(self) -> bool:
        """Whether a size is given though a fact that unsettles it is true, as a measurement that is to be repeated."""
        return not self.sizing.withheld and any(self.firing.facts.get(name) is True for name in self.parts.unsettling)

    def confidence(self) -> Basis | None:
        """The weakest basis of any axis, or None where the size is withheld."""
        if self.sizing.withheld:
            return None
        return max((c.basis for c in self.sizing.axes.values() if c.basis is not None), key=BASES.index)

    def axis(self, name: str) -> AxisDecision:
        choice = self.sizing.axes[name]
        holding = [rule.id for rule, hold in self.sizing.holds if hold.axis in (None, name)]
        return AxisDecision(
            axis=name,
            value=None if holding or not choice.candidates else choice.candidates[0],
            candidates=() if holding else choice.candidates,
            confidence=None if holding else choice.basis,
            settled=self.prospects.settled_axes[name],
            rules=tuple(dict.fromkeys([*choice.rules, *holding])),
            probabilities={}
            if holding
            else band_probabilities(self.ruleset, self.ruleset.axes[name], choice, self.firing),
        )

    def holds(self) -> tuple[HoldNotice, ...]:
        grouped: dict[Hold, list[str]] = defaultdict(list)
        for rule, hold in self.sizing.holds:
            grouped[hold].append(rule.id)
        return tuple(
            HoldNotice(kind=hold.kind, summary=hold.summary, text=hold.text, axis=hold.axis, rules=tuple(rules))
            for hold, rules in grouped.items()
        )

    def cautions(self, tasks: Iterable[Task]) -> tuple[Caution, ...]:
        """Gravest first; of one severity those that lead, then those whose care among ``tasks`` is due soonest, as it is done.

        So the airway stands first among what is critical, and the skin before the review of need.
        """
        grouped: dict[CautionText, list[str]] = defaultdict(list)
        for rule in self.firing.fired:
            for caution in rule.then.cautions:
                grouped[caution].append(rule.id)

        never: tuple[float, int] = (inf, len(self.ruleset.tasks))
        due: dict[str, tuple[float, int]] = {}
        for number, task in enumerate(tasks):
            within = task.timing.within_hours
            for name in task.rules:
                due[name] = min(due.get(name, never), (inf if within is None else within, number))

        def place(said: CautionText) -> tuple[int, bool, tuple[float, int]]:
            soonest = min(due.get(name, never) for name in grouped[said])
            return SEVERITIES.index(said.severity), not said.leads, soonest

        return tuple(self.parts.caution(said, tuple(grouped[said])) for said in sorted(grouped, key=place))

    def tasks(self) -> tuple[Task, ...]:
        called: dict[str, dict[str, None]] = defaultdict(dict)
        asked: set[str] = set()
        for rule in self.firing.fired:
            for call in rule.then.tasks:
                called[call.task][rule.id] = None
                if not call.joins:
                    asked.add(call.task)
        worn = self.firing.facts.get(WORN)
        hours = worn if isinstance(worn, (int, float)) else None
        return tuple(self.parts.task(name, tuple(called[name]), hours) for name in self.ruleset.tasks if name in asked)

    def instructions(self) -> tuple[Instruction, ...]:
        """In the order of the leaflets, which is the order of reading."""
        asked: dict[str, list[str]] = defaultdict(list)
        for rule in self.firing.fired:
            for name in rule.then.instructions:
                asked[name].append(rule.id)
        order = {name: None for leaflet in self.ruleset.leaflets.values() for name in leaflet.texts}
        return tuple(Instruction(instruction=name, rules=tuple(asked[name])) for name in order if name in asked)

    def assessment(self, name: str) -> Assessment:
        facts, concluded_by = self.firing.facts, self.firing.concluded_by
        return Assessment(
            fact=name,
            label=self.ruleset.reported[name].label,
            value=facts.get(name),
            missing=() if name in facts else missing_for(self.ruleset, name, facts),
            rules=(concluded_by[name],) if name in concluded_by else (),
        )

    def refused(self) -> Iterable[NotUsed]:
        for refused in self.firing.refused:
            yield NotUsed(
                fact=refused.fact,
                value=f"{refused.value:g}" if isinstance(refused.value, float) else str(refused.value),
                kind="derived",
                reason=f"worked out by {refused.rule} and {refused.reason}",
            )

    def trace_entry(self, name: str) -> TraceEntry:
        rule, compared = self.ruleset.rules[name], self.parts.compared(name)
        return TraceEntry(
            rule=rule.id,
            title=rule.title,
            because=rule.because,
            sources=rule.sources,
            evidence=compared.evidence,
            comparisons=tuple(
                Comparison(text=words, fact=fact, value=self.firing.facts.get(fact), reference=self.origin(fact))
                for words, fact in self.true(compared)
            ),
            concluded={
                conclusion.fact: self.firing.facts[conclusion.fact]
                for conclusion in rule.then.conclusions
                if self.firing.concluded_by.get(conclusion.fact) == rule.id
            },
            local_parameters=tuple(name for name in rule.parameters if self.ruleset.parameters[name].is_local),
            local=rule.local,
        )

    def rests_on(self, rule: str) -> tuple[str, ...]:
        origins = (self.origin(fact) for _, fact in self.true(self.parts.compared(rule)))
        return tuple(origin for origin in origins if origin is not None)

    def true(self, compared: Compared) -> Iterable[tuple[str, str]]:
        """The comparisons of a rule that are true, as words and fact."""
        return itertools.compress(compared.comparisons, compared.truths(self.firing.facts))

    def origin(self, fact: str) -> str | None:
        """The record from which ``fact`` comes, else the rule that concluded it."""
        return self.references.get(fact) or self.firing.concluded_by.get(fact)
