"""The Decision: what is said of one patient, as data. Cards, orders, the command line and the pages are all made from it."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable, Iterable, Iterator, KeysView, Sequence
from datetime import datetime
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict

from rules.model.facts import FactValue, RecordedFact
from rules.model.json_cleaning import without_absent
from rules.model.lazy_sequence import LazySequence, LazySequenceField
from rules.model.ruleset import Basis, EvidenceKind, HoldKind, LocalChange, Severity
from rules.model.timing import Timing

_UNIT = re.compile(r"_(mm|cm|kg|years)$")


class FrozenModel(BaseModel):
    """Base of everything in a decision: frozen, no unexpected fields."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    def as_json(self) -> dict[str, Any]:
        """Plain JSON values, with nothing null or empty left in (as FHIR and CDS Hooks ask of what they carry)."""
        cleaned = without_absent(self.model_dump(mode="json"))
        assert isinstance(cleaned, dict)
        return cleaned


class RulesetIdentity(FrozenModel):
    """Which clinical content decided: ``hash`` is the SHA-256 of the content, site overlays included."""

    name: str
    version: str
    hash: str


class SizeClass(FrozenModel):
    """One value on each axis. ``code`` is the short form (``adult H3 G2``), ``words`` says the same in words.

    ``condition`` is what must be true for the size to hold ("if adult" where the age is not recorded); ``words`` begin with it.
    """

    values: dict[str, str]
    code: str
    words: str
    condition: str | None = None

    @property
    def in_words(self) -> str:
        """The code as a person reads it, without the underscores of its values."""
        return self.code.replace("_", " ")


class AxisDecision(FrozenModel):
    """One axis: the value to try first (None where it is withheld), all candidates in the order to try, and the rules.

    ``probabilities`` gives that of each candidate, from 0 to 1, where they rest on an estimate; else it is empty.
    """

    axis: str
    value: str | None
    candidates: tuple[str, ...]
    confidence: Basis | None
    settled: bool
    rules: tuple[str, ...]
    probabilities: dict[str, float] = {}


class Candidate(FrozenModel):
    """A size class that may fit, in the order to try, and why it stands there.

    ``probability``, from 0 to 1, is that of its estimated band; None where no band was estimated.
    """

    size_class: SizeClass
    why: str
    probability: float | None = None


class HoldNotice(FrozenModel):
    """Why no size is given (``do_not_size``: call; ``cannot_size``: something is missing); ``summary`` is one sentence."""

    kind: HoldKind
    summary: str
    text: str
    axis: str | None
    rules: tuple[str, ...]


class Caution(FrozenModel):
    """A caution. The same text from several rules is said once, with all of them; ``summary`` is one sentence.

    One that ``leads`` is said before the size, and before it no order of a collar is offered.
    """

    severity: Severity
    summary: str
    text: str
    rules: tuple[str, ...]
    leads: bool = False

    @property
    def presses(self) -> bool:
        """Whether it is said whatever else is left out."""
        return self.leads or self.severity == "critical"


TASK_IN_SHORT = {"task", "title", "timing", "people", "rules"}
"""What a decision in short says of a task."""


class Task(FrozenModel):
    """A piece of care: what, when (data and words), who, how many people, where, why, and what should come of it.

    ``hands`` says in words what each of the people does; ``begins`` in few words when it is due first, or how often.
    """

    task: str
    title: str
    instruction: str
    details: tuple[str, ...]
    request: str
    timing: Timing
    timing_words: str
    begins: str = ""
    performer: str
    performer_words: str
    people: int
    hands: tuple[str, ...] = ()
    location: str | None
    outcome: str | None
    reasons: tuple[str, ...]
    rules: tuple[str, ...]

    @property
    def who(self) -> str:
        """Who does it, and with how many people where that takes more than one."""
        return f"{self.performer_words}, {self.people} people" if self.people > 1 else self.performer_words

    def title_tells(self, when: str) -> bool:
        """Whether the title ends with ``when`` (words such as "now"), so that it need not be said once more."""
        return self.title.endswith(f" {when}")

    @cached_property
    def in_short(self) -> dict[str, Any]:
        """What a decision in short says of the task, as plain JSON values. Shared: never to be changed."""
        cleaned: dict[str, Any] = without_absent(self.model_dump(mode="json", include=TASK_IN_SHORT))
        return cleaned


class Instruction(FrozenModel):
    """A plain-language instruction that the patient is to be given, and the rules behind it."""

    instruction: str
    rules: tuple[str, ...]


class LeafletSection(FrozenModel):
    """The words of one instruction."""

    instruction: str
    title: str
    lines: tuple[str, ...]


class Leaflet(FrozenModel):
    """The instructions of this decision in one language (BCP 47 code); ``notice`` says who reviewed the words."""

    language: str
    title: str
    notice: str
    sections: tuple[LeafletSection, ...]


class MeasureNext(FrozenModel):
    """An unknown fact that could still change the size: which axes, whether it could withhold or release it, how to obtain it.

    ``with_facts`` are further unknown facts that are needed with it, ``with_labels`` their labels. ``information`` ranks: the
    entropy in bits of the size class over the representative answers, each taken as equally likely (a ranking aid, not a
    probability statement).
    """

    fact: str
    label: str
    ask: str
    with_facts: tuple[str, ...]
    with_labels: tuple[str, ...] = ()
    axes: tuple[str, ...]
    could_withhold: bool
    information: float


class Question(FrozenModel):
    """An unrecorded fact that is asked for whatever the size: how to obtain it, and whether an answer can be a danger."""

    fact: str
    label: str
    ask: str
    danger: bool
    rules: tuple[str, ...]


class NotRecorded(FrozenModel):
    """The dangers that nobody has recorded, in one line; unrecorded is not safe."""

    text: str
    facts: tuple[str, ...]
    rules: tuple[str, ...]


RefusalKind = Literal[
    "before injury",
    "implausible",
    "unit",
    "stale",
    "no time",
    "future",
    "contradiction",
    "coarse",
    "no value",
    "code",
    "status",
    "malformed",
    "modifier",
    "patient",
    "incomplete",
    "derived",
    "retired",
    "unread",
]
"""Kinds of reasons not to use something, few enough to be counted.

``before injury``: of an earlier injury than the newest on record; ``code``: no known code, or another type of value;
``coarse``: leaves open what the rules ask; ``derived``: worked out by a rule; ``future``: not so yet; ``incomplete``: not had,
or not read to its end; ``modifier``: an element that may change the meaning; ``patient``: another one's, or in doubt whose;
``retired``: a fact that is no longer used; ``status``: not in force; ``unread``: a diagnosis that stands, a late operation or a
device in use about neck, spine, airway or another danger of a collar, mapped to no fact.
"""


class NotUsed(FrozenModel):
    """Something that was seen and refused: a fact's name where one was recognised, the value as written, the reason.

    ``kind`` is the reason as one of a few words, to count by; ``reason`` says it exactly.
    """

    fact: str | None
    value: str
    kind: RefusalKind
    reason: str
    reference: str | None = None
    look_up: str | None = None
    """Where it may be a danger: what a person has to look up in the record, in a few words."""
    may_be: str | None = None
    """Where its words name a danger that goes before a collar: the fact that it may be."""

    @property
    def about(self) -> str:
        """The fact as a person says it, without the unit in its name; empty where none was recognised."""
        return _UNIT.sub("", self.fact or "").replace("_", " ")


def to_look_up(not_used: Iterable[NotUsed]) -> tuple[str, ...]:
    """What a person has to look up in the record of ``not_used``, each once, in a few words.

    First what may be a danger that goes before a collar, then what was recognised as a fact, then the rest as it was sent.
    """
    named = sorted((one for one in not_used if one.look_up), key=lambda one: (one.may_be is None, one.fact is None))
    return tuple(dict.fromkeys(one.look_up for one in named if one.look_up))


class Assessment(FrozenModel):
    """A reported conclusion: its value, or None with the unknown facts that stand in the way of one."""

    fact: str
    label: str
    value: FactValue | None
    missing: tuple[str, ...]
    rules: tuple[str, ...]


class Comparison(FrozenModel):
    """One line of a rule's condition that was true for this patient, and the observation it rested on."""

    text: str
    fact: str
    value: FactValue | None
    reference: str | None


class TraceEntry(FrozenModel):
    """One rule that fired: why, on what comparisons, on which evidence, and what it concluded.

    ``local_parameters`` are the thresholds it used that the site changed; ``local`` is true for a rule the site added.
    """

    rule: str
    title: str
    because: str
    sources: tuple[str, ...]
    evidence: tuple[EvidenceKind, ...]
    comparisons: tuple[Comparison, ...]
    concluded: dict[str, FactValue]
    local_parameters: tuple[str, ...]
    local: bool


class Trace(LazySequence[TraceEntry]):
    """The trace as it is decided: an entry is written when it is read, and what it rests on is told without it."""

    def __init__(
        self, rules: Iterable[str], make: Callable[[str], TraceEntry], rests_on: Callable[[str], tuple[str, ...]]
    ) -> None:
        """Of the ``rules`` that fired, in order; ``rests_on`` gives the references in the comparisons of a rule's entry."""
        super().__init__(rules, make)
        self._rests_on = rests_on
        self._records: dict[str, tuple[str, ...]] = {}

    def records(self, rule: str) -> tuple[str, ...]:
        """References of the records that made ``rule`` fire, also through what other rules concluded; none if it did not."""
        found = self._records.get(rule)
        if found is None:
            found = self._records[rule] = tuple(dict.fromkeys(self._reached(rule)))
        return found

    def _reached(self, rule: str) -> Iterator[str]:
        if rule in self.names:
            for reference in self._rests_on(rule):
                if reference in self.names:
                    yield from self.records(reference)
                else:
                    yield reference


NOT_IN_SHORT: dict[str, Any] = {
    "facts": {"__all__": frozenset({"reference", "recorded", "original"})},
    "tasks": {"__all__": Task.model_fields.keys() - TASK_IN_SHORT},
    **dict.fromkeys(
        ("trace", "sources", "ask", "dangers_not_recorded", "assessments", "leaflets", "disclaimer"),
        True,
    ),
}
"""What a decision in short leaves out, as pydantic's ``exclude``."""
_NOT_OF_THE_DECISION = {**NOT_IN_SHORT, "tasks": True}
"""The same without all that tasks, which many decisions share, say of themselves."""


class Decision(FrozenModel):
    """Everything said of one patient at one moment.

    ``settled`` is true where nothing that is still unknown can change the size, and nothing asks to
    measure again. ``dangers_not_recorded`` leads the questions; ``ask`` are at most five of them, dangers first;
    ``measure_next`` are those that could change the size.
    """

    at: datetime
    ruleset: RulesetIdentity
    size_class: SizeClass | None
    candidates: tuple[Candidate, ...]
    confidence: Basis | None
    settled: bool
    axes: dict[str, AxisDecision]
    holds: tuple[HoldNotice, ...]
    dangers_not_recorded: NotRecorded | None
    ask: tuple[Question, ...]
    measure_next: tuple[MeasureNext, ...]
    cautions: tuple[Caution, ...]
    tasks: tuple[Task, ...]
    instructions: tuple[Instruction, ...]
    leaflets: tuple[Leaflet, ...]
    assessments: Annotated[Sequence[Assessment], LazySequenceField()]
    facts: tuple[RecordedFact, ...]
    not_used: tuple[NotUsed, ...]
    local_changes: tuple[LocalChange, ...]
    trace: Annotated[Sequence[TraceEntry], LazySequenceField()]
    sources: dict[str, str]
    disclaimer: str

    def in_short(self) -> dict[str, Any]:
        """As ``as_json``, without how it came about, and without what cards and orders say in words.

        Left out are the trace, the sources, where each fact comes from, what is asked for and was worked out beside the size,
        the leaflets, the disclaimer, and of each task all but what ``TASK_IN_SHORT`` names.
        """
        cleaned: dict[str, Any] = without_absent(self.model_dump(mode="json", exclude=_NOT_OF_THE_DECISION))
        if self.tasks:
            cleaned["tasks"] = [task.in_short for task in self.tasks]
        return {name: cleaned[name] for name in type(self).model_fields if name in cleaned}

    @cached_property
    def _trace(self) -> Trace:
        """The trace, also where it was read from JSON and is a plain tuple."""
        if isinstance(self.trace, Trace):
            return self.trace
        entries = {entry.rule: entry for entry in self.trace}

        def rests_on(rule: str) -> tuple[str, ...]:
            return tuple(each.reference for each in entries[rule].comparisons if each.reference is not None)

        return Trace(entries, entries.__getitem__, rests_on)

    @property
    def fired(self) -> KeysView[str]:
        """The ids of the rules that fired, in order."""
        return self._trace.names

    def traced(self, rules: Iterable[str]) -> Iterator[TraceEntry]:
        """The entries of those of ``rules`` that fired, in the order of the trace."""
        wanted = set(rules)
        for rule in self.fired:
            if rule in wanted:
                yield self._trace.named(rule)

    def records(self, rules: Iterable[str]) -> dict[str, None]:
        """References of the records that made ``rules`` fire, each once; rules that did not fire have none."""
        return dict.fromkeys(itertools.chain.from_iterable(map(self._trace.records, rules)))

    @cached_property
    def identity(self) -> str:
        """What tells decisions about one patient apart, as JSON: the rule set, the moment, and the facts with their records."""
        facts = sorted((fact.name, fact.value, fact.reference or "") for fact in self.facts)
        return json.dumps([self.ruleset.hash, self.at.isoformat(), facts])[1:-1]

    @property
    def leading(self) -> tuple[Caution, ...]:
        """The cautions that are said before the size: need is in doubt, and no order of a collar is offered first."""
        return tuple(caution for caution in self.cautions if caution.leads)
