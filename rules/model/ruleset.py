"""The Ruleset: the clinical content as one immutable value, from which every backend is compiled.

How it is read from YAML is in ``rules.loading``; what it means for a patient is in ``rules.evaluation`` and ``rules.deciding``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Literal

from rules.errors import Place
from rules.model import expressions
from rules.model.compiled_conditions import OpenTest, Test, certainly, definitely, possibly
from rules.model.conditions import Condition, NoneOf, facts_read, without_negation
from rules.model.facts import FactDefinition, FactValue, Vocabulary
from rules.model.timing import Timing


@dataclass(frozen=True)
class InstructionText:
    """One instruction in one language: a heading, and sentences for the patient (parameters already worked in)."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class LeafletText:
    """Everything that may be said in one language.

    ``language`` is a BCP 47 code. ``notice`` says who wrote or reviewed the words; ``texts`` are the instructions by id;
    ``parameters`` are those whose values stand in the words. ``outdated`` gives, for each text whose source changed after it
    was translated, its place and the fingerprint of the words as they are now.
    """

    language: str
    title: str
    notice: str
    texts: Mapping[str, InstructionText]
    parameters: tuple[str, ...] = ()
    outdated: Mapping[str, tuple[Place, str]] = field(default_factory=dict)


EvidenceKind = Literal["published", "common_practice", "local_default"]
Basis = Literal["measured", "observed", "assumed"]
Severity = Literal["info", "warning", "critical"]
HoldKind = Literal["do_not_size", "cannot_size"]
CorrectiveAction = Literal["reseat", "size", "refer", "stop"]

BASES: tuple[Basis, ...] = ("measured", "observed", "assumed")
"""What stands behind a size: the deciding fact itself was recorded; an estimate of it was; neither, only a stand-in."""
SEVERITIES: tuple[Severity, ...] = ("critical", "warning", "info")

Strength = tuple[int, int]
"""Basis (position in BASES) and priority with its sign turned, so that the smaller is the stronger."""
Weight = tuple[Strength, int]
"""Strength of an offer, then its place on the axis: the least is tried first."""


def strength(basis: Basis, priority: int) -> Strength:
    """How strong an offer on ``basis`` is, by a rule of ``priority`` (a whole number; the higher, the stronger)."""
    return BASES.index(basis), -priority


def by_priority(rules: Iterable[Rule]) -> list[Rule]:
    """``rules`` of one layer in the order in which their conclusions are drawn: the highest priority first."""
    return sorted(rules, key=lambda rule: -rule.priority)


@dataclass(frozen=True)
class EvidenceSource:
    """What a rule or a parameter rests on. ``from_memory`` marks values recalled and not yet read again."""

    id: str
    kind: EvidenceKind
    citation: str
    supports: str = ""
    from_memory: bool = False


@dataclass(frozen=True)
class Parameter:
    """A number, switch or word that a site may change. ``default`` is the shipped value, ``confirm`` asks a site to confirm it.

    ``range`` (numbers) and ``one_of`` (words) bound what a site may set. ``read_by`` names the part of the service that goes
    by it, where no rule does.
    """

    name: str
    value: FactValue
    default: FactValue
    unit: str | None
    meaning: str
    sources: tuple[str, ...]
    confirm: bool
    range: tuple[float, float] | None = None
    one_of: tuple[str, ...] = ()
    read_by: str | None = None

    @property
    def is_local(self) -> bool:
        """Whether a site changed the value."""
        return self.value != self.default


@dataclass(frozen=True)
class Estimate:
    """The facts that hold the mean and the standard deviation of an estimate, in the unit of the axis's edges."""

    mean: str
    spread: str


@dataclass(frozen=True)
class Axis:
    """One dimension of the size class: its values from smallest to largest, and the words for each.

    For an axis of millimetre bands ``edges`` are the inner edges (one fewer than values), each the lower end of the next band.
    ``conditions`` gives for a value the condition under which it holds where it is only assumed ("if adult").
    """

    name: str
    title: str
    values: tuple[str, ...]
    words: Mapping[str, str]
    edges: tuple[float, ...] = ()
    fact: str | None = None
    silent: str | None = None
    conditions: Mapping[str, str] = field(default_factory=dict)
    estimate: Estimate | None = None
    largest: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def rank(self, value: str) -> int:
        """Position of ``value``, smallest first, from 0. Raises ValueError where it is none of the axis."""
        return self.values.index(value)

    def place(self, offer: SizeOffer) -> int:
        """At which position (from 0) ``offer`` is tried: what is offered first, smallest first, then all else, smallest first."""
        return self.rank(offer.value) + (0 if offer.first else len(self.values))

    def weight(self, rule: Rule, offer: SizeOffer) -> Weight:
        """By which ``offer`` of ``rule`` is compared with others on this axis."""
        return strength(offer.basis, rule.priority), self.place(offer)

    def value_at(self, place: int) -> str:
        """The value that is tried at the position ``place`` (from 0), as ``Axis.place`` counts."""
        return self.values[place % len(self.values)]


@dataclass(frozen=True)
class Hand:
    """Something that one person does, and nothing else, while a task is done.

    ``named_by`` are the phrases by which a text names that person, so that texts can be held against the number of people.
    """

    id: str
    words: str
    named_by: tuple[str, ...] = ()


@dataclass(frozen=True)
class TaskDefinition:
    """A piece of care that rules may ask for. ``request`` says whether it is ordered on its own or part of the care plan.

    ``hands`` says how many people do what (by the ids of hands); ``people`` is the least number whatever the hands.
    ``kind`` groups tasks of which a rule may speak together.
    """

    id: str
    title: str
    instruction: str
    request: Literal["order", "activity"]
    performer: str
    people: int = 1
    hands: Mapping[str, int] = field(default_factory=dict)
    kind: str | None = None
    location: str | None = None
    outcome: str | None = None

    @property
    def least_people(self) -> int:
        """How many people it takes where no rule asks for more."""
        return max(self.people, sum(self.hands.values()))


@dataclass(frozen=True)
class Conclusion:
    """A fact that a rule concludes: a constant, or arithmetic over facts (parameters already worked in)."""

    fact: str
    value: FactValue | None = None
    expression: expressions.Expression | None = None


@dataclass(frozen=True)
class SizeOffer:
    """A value that a rule offers for a size axis, and what kind of knowledge stands behind it.

    Of the values that stand in the end, those offered ``first`` are tried before the others, else the smallest.
    """

    axis: str
    value: str
    basis: Basis
    first: bool = False


@dataclass(frozen=True)
class Hold:
    """A reason to give no size: ``do_not_size`` (wrong device, call) or ``cannot_size`` (something is missing)."""

    kind: HoldKind
    text: str
    axis: str | None
    summary: str
    """The same in a sentence, for the head of a card; the text itself where that is short."""


@dataclass(frozen=True)
class CautionText:
    """A caution, with its severity; ``summary`` is the same in a sentence, for the head of a card.

    One that ``leads`` is said before the size: a collar may not be what is needed.
    """

    severity: Severity
    text: str
    leads: bool
    summary: str


@dataclass(frozen=True)
class TaskCall:
    """A rule's request for a task: when, and where the rule asks for more than the task's definition does.

    One that ``joins`` does not ask for the task; it adds to it where another rule asks.
    """

    task: str
    timing: Timing
    people: int | None = None
    hands: Mapping[str, int] = field(default_factory=dict)
    joins: bool = False
    performer: str | None = None
    detail: str | None = None


@dataclass(frozen=True)
class Step:
    """One value up (1) or down (-1) on a size axis."""

    axis: str
    by: int


@dataclass(frozen=True)
class Correction:
    """What a finding of a fit check (None: the fit as a whole) comes from, and what to do about it.

    ``action``: ``reseat`` the same size, try another ``size`` (then ``step`` says which), ``refer`` to an orthotist, or
    ``stop`` fitting and call.
    """

    finding: str | None
    cause: str
    correction: str
    action: CorrectiveAction
    step: Step | None = None


@dataclass(frozen=True)
class Effects:
    """Everything a rule does when it fires."""

    conclusions: tuple[Conclusion, ...] = ()
    sizes: tuple[SizeOffer, ...] = ()
    holds: tuple[Hold, ...] = ()
    cautions: tuple[CautionText, ...] = ()
    tasks: tuple[TaskCall, ...] = ()
    corrections: tuple[Correction, ...] = ()
    instructions: tuple[str, ...] = ()
    questions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rule:
    """One clinical rule. Among rules that offer or conclude different values, the higher ``priority`` wins.

    ``asks`` is false where the rule uses what happens to be recorded and nobody should be asked for it; ``on_paper`` is false
    where the questions on paper leave it out.
    """

    id: str
    topic: str
    title: str
    when: Condition
    then: Effects
    because: str
    sources: tuple[str, ...]
    priority: int = 0
    parameters: tuple[str, ...] = ()
    asks: bool = True
    on_paper: bool = True
    local: bool = False
    place: Place = field(default=Place("?"), compare=False)

    @cached_property
    def fires(self) -> Test:
        """Whether the rule fires for given facts."""
        return definitely(self.when)

    @cached_property
    def fails(self) -> Test:
        """Whether the condition is definitely false for given facts."""
        return definitely(NoneOf((self.when,)))

    @cached_property
    def may_fire(self) -> OpenTest:
        """Whether the rule fires for some outcome of what is open."""
        return possibly(self.when)

    @cached_property
    def must_fire(self) -> OpenTest:
        """Whether the rule fires for every outcome of what is open."""
        return certainly(self.when)

    @cached_property
    def positive(self) -> Condition:
        """The condition with its negations pushed down to the comparisons."""
        return without_negation(self.when)

    def __getstate__(self) -> dict[str, object]:
        # Without what is worked out on demand: compiled conditions cannot be sent to another process.
        return {one.name: getattr(self, one.name) for one in fields(self)}

    @cached_property
    def reads(self) -> frozenset[str]:
        """Facts that the condition or the conclusions read."""
        computed = [c.expression for c in self.then.conclusions if c.expression is not None]
        return facts_read(self.when).union(*(expressions.names(expression) for expression in computed))

    @cached_property
    def writes(self) -> frozenset[str]:
        """Facts that the rule concludes."""
        return frozenset(conclusion.fact for conclusion in self.then.conclusions)


@dataclass(frozen=True)
class LocalChange:
    """Something a site changed: a parameter's value, a rule switched off, or a rule added."""

    kind: Literal["parameter", "switched_off", "added"]
    name: str
    because: str
    default: FactValue | None = None
    value: FactValue | None = None


@dataclass(frozen=True)
class Ruleset:
    """The whole clinical content. ``strata`` holds the rules in layers: a rule reads only what earlier layers conclude.

    ``confirmed_by`` says who, at a site, confirms the rules of a topic.
    """

    name: str
    version: str
    title: str
    disclaimer: str
    vocabulary: Vocabulary
    axes: Mapping[str, Axis]
    parameters: Mapping[str, Parameter]
    sources: Mapping[str, EvidenceSource]
    confirmed_by: Mapping[str, str]
    tasks: Mapping[str, TaskDefinition]
    hands: Mapping[str, Hand]
    roles: Mapping[str, str]
    triggers: Mapping[str, str]
    leaflets: Mapping[str, LeafletText]
    strata: tuple[tuple[Rule, ...], ...]
    local_changes: tuple[LocalChange, ...]
    hash: str

    @cached_property
    def rules(self) -> Mapping[str, Rule]:
        """Every rule by id, in the order of evaluation."""
        return {rule.id: rule for stratum in self.strata for rule in stratum}

    @cached_property
    def concluding(self) -> Mapping[str, tuple[Rule, ...]]:
        """The rules that conclude each fact, in the order of evaluation; facts that none concludes are left out."""
        found: dict[str, list[Rule]] = {}
        for rule in self.rules.values():
            for fact in rule.writes:
                found.setdefault(fact, []).append(rule)
        return {fact: tuple(rules) for fact, rules in found.items()}

    def drawn(self, fact: str) -> Iterator[tuple[Rule, Conclusion]]:
        """The conclusions about ``fact``; the first whose rule fires counts: by layer, then priority, then the order of rules."""
        for stratum in self.strata:
            for rule in by_priority(stratum):
                for conclusion in rule.then.conclusions:
                    if conclusion.fact == fact:
                        yield rule, conclusion

    @cached_property
    def offers(self) -> Mapping[str, tuple[tuple[str, Weight], ...]]:
        """What each rule that offers sizes offers, as axis and weight: of one axis the least weight comes first."""
        return {
            rule.id: tuple((offer.axis, self.axes[offer.axis].weight(rule, offer)) for offer in rule.then.sizes)
            for rule in self.rules.values()
            if rule.then.sizes
        }

    @cached_property
    def reported(self) -> Mapping[str, FactDefinition]:
        """The facts that a decision reports as assessments, by name."""
        return {name: fact for name, fact in self.vocabulary.items() if fact.reported}

    @cached_property
    def facts_read(self) -> frozenset[str]:
        """Every fact that some rule reads."""
        return frozenset().union(*(rule.reads for rule in self.rules.values()))

    def evidence(self, rule: Rule) -> tuple[EvidenceKind, ...]:
        """The kinds of evidence behind ``rule``, strongest first, each once."""
        kinds = {self.sources[source].kind for source in rule.sources}
        order: tuple[EvidenceKind, ...] = ("published", "common_practice", "local_default")
        return tuple(kind for kind in order if kind in kinds)

    @cached_property
    def unforeseen(self) -> frozenset[str]:
        """The facts that nobody looks for, so that no outlook counts on their being learned."""
        return frozenset(name for name, fact in self.vocabulary.items() if not fact.foreseen)

    def part(self, wanted: Callable[[Rule], bool]) -> Ruleset:
        """The rules that are ``wanted`` and the rules that conclude what these read; everything else stays as it is."""
        needed: set[str] = set()
        kept: set[str] = set()
        for stratum in reversed(self.strata):
            for rule in stratum:
                if wanted(rule) or rule.writes & needed:
                    kept.add(rule.id)
                    needed |= rule.reads
        strata = (tuple(rule for rule in stratum if rule.id in kept) for stratum in self.strata)
        return replace(self, strata=tuple(stratum for stratum in strata if stratum))

    def stale_after_hours(self, fact: FactDefinition) -> float | None:
        """Hours after which an observation of ``fact`` is too old to use, or None where it does not age.

        Answers under ``lasting`` are used longer: see ``usable_for_hours``.
        """
        return self._hours(fact.stale_after_hours)

    def usable_for_hours(self, fact: FactDefinition, value: FactValue) -> float | None:
        """Hours for which ``value`` of ``fact`` is used where no newer record says otherwise, or None where it does not age."""
        if fact.lasting is not None and value in fact.lasting.answers:
            return self._hours(fact.lasting.hours)
        return self.stale_after_hours(fact)

    def looked_back_hours(self, fact: FactDefinition) -> float | None:
        """The age in hours beyond which no record of ``fact`` counts, whatever it says; None where it does not age."""
        return self.stale_after_hours(fact) if fact.lasting is None else self._hours(fact.lasting.hours)

    def _hours(self, limit: str | float | None) -> float | None:
        return float(self.parameters[limit].value) if isinstance(limit, str) else limit

    def number(self, parameter: str) -> float:
        """The value of the numeric ``parameter`` in its own unit. Raises KeyError or ValueError where there is none."""
        return float(self.parameters[parameter].value)
