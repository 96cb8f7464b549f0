"""A decision as a page shows it: the same Decision as on cards, the command line and the API, only put in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from cds.fhir.writing.service_request import fit_task
from cds.hooks.cards.distinct_questions import INSTEAD
from cds.site.catalogue_matching import GIRTH, HEIGHT, Shelf
from cds.web.pages.fact_form import DRAWINGS
from cds.web.pages.neck_chart import NeckChart, neck_chart
from cds.web.pages.task_timeline import Doing, Lane, Staffing, doings, is_of_now, lanes, staffing
from rules.model.decision import AxisDecision, Caution, Decision, HoldNotice, MeasureNext, Question, Task
from rules.model.facts import FactDefinition, FactValue
from rules.model.quantity_words import quantity_words
from rules.model.rule_text import in_words
from rules.model.ruleset import Ruleset

_SURE = {"measured": "measured", "observed": "estimated", "assumed": "not known", None: "no size"}
_SURE_OF_A_CHOICE = _SURE | {"measured": "recorded", "assumed": "not recorded"}
"""For an axis without millimetres: age, head position and bed rest are not measured."""
_MOST_QUESTIONS = 3


@dataclass(frozen=True)
class Stop:
    """Something that stops the fitting: one sentence, and the whole text where that says more."""

    summary: str
    text: str | None


@dataclass(frozen=True)
class Sureness:
    """How sure one part of the size is, and the field that would settle it."""

    title: str
    words: str
    level: str
    field: str | None


@dataclass(frozen=True)
class FindOut:
    """Something to find out: how, what it would change, and the field where it is recorded.

    ``instead`` is what answers the same where this cannot be had. Several dangers stand together as ``questions``, each with
    its own field.
    """

    label: str
    how: str
    changes: str
    field: str
    drawing: str | None = None
    questions: tuple[Question, ...] = ()
    instead: MeasureNext | None = None


@dataclass(frozen=True)
class Answer:
    """What the page shows of one decision, in the order of its parts.

    ``known`` has the words for each fact, ``compared`` for each comparison of the trace.
    ``leading`` are cautions that are said before the size, ``notes`` the others that stop nothing.
    ``clock`` names the time zone of all times. ``lanes`` hold every task by role; a screen shows ``doings`` first, and
    ``later`` what the clock brings back, the first time of which may stand among them too.
    """

    decision: Decision
    shelf: Shelf | None
    stops: tuple[Stop, ...]
    missing: tuple[HoldNotice, ...]
    size_words: str | None
    unmeasured: str
    sure: tuple[Sureness, ...]
    chart: NeckChart | None
    find_out: tuple[FindOut, ...]
    leading: tuple[Caution, ...]
    notes: tuple[Caution, ...]
    staff: tuple[Staffing, ...]
    clock: str
    lanes: tuple[Lane, ...]
    doings: tuple[Doing, ...]
    later: tuple[Lane, ...]
    known: Mapping[str, str]
    compared: Mapping[str, str]

    @property
    def done_first(self) -> list[Task]:
        """Every task of ``doings``."""
        return [task for doing in self.doings for task in doing.tasks]

    @property
    def said(self) -> str:
        """The answer in one sentence, for whoever hears it."""
        stops = (
            f"{len(self.stops)} reasons to stop. " if len(self.stops) > 1 else "1 reason to stop. " * len(self.stops)
        )
        stops += "".join(f"{one.summary} " for one in self.leading)
        return stops + (f"Size: {self.size_words}." if self.size_words else "No size.")


def answer(ruleset: Ruleset, decision: Decision, shelf: Shelf | None, zone: tzinfo | None = None) -> Answer:
    """``decision`` put in order, in the words of ``ruleset``. ``zone`` is that of the ward's clock (None: of this machine).

    ``shelf`` is what the site stocks for it, or None where that is not known.
    """
    held = tuple(hold for hold in decision.holds if hold.kind == "do_not_size")
    grave = tuple(caution for caution in decision.cautions if caution.severity == "critical")
    size = decision.size_class
    stops = (*(_stop(one.summary, one.text) for one in held), *(_stop(one.summary, one.text) for one in grave))
    mild = tuple(caution for caution in decision.cautions if caution not in grave)
    return Answer(
        decision=decision,
        shelf=shelf,
        stops=stops,
        missing=tuple(hold for hold in decision.holds if hold.kind != "do_not_size"),
        size_words=None if size is None else size.words[:1].upper() + size.words[1:],
        unmeasured=_unmeasured(ruleset, decision),
        sure=tuple(_sureness(ruleset, decision, axis) for axis in decision.axes.values()),
        chart=neck_chart(ruleset, decision),
        find_out=tuple(_find_out(ruleset, decision))[:_MOST_QUESTIONS],
        leading=tuple(caution for caution in mild if caution.leads),
        notes=tuple(caution for caution in mild if not caution.leads),
        staff=tuple(staffing(decision.tasks)),
        clock=f"{decision.at.astimezone(zone):%Z}",
        lanes=tuple(lanes(decision.tasks, decision.at, zone)),
        doings=tuple(doings(decision.tasks, fit_task(decision))),
        later=tuple(lanes([task for task in decision.tasks if not is_of_now(task)], decision.at, zone)),
        compared={one.text: in_words(ruleset, one.text) for entry in decision.trace for one in entry.comparisons},
        known={fact.name: _known(ruleset.vocabulary[fact.name], fact.value) for fact in decision.facts},
    )


def _known(fact: FactDefinition, value: FactValue) -> str:
    return f"{fact.label}: {quantity_words(value, fact.unit)}"


def _stop(summary: str, text: str) -> Stop:
    return Stop(summary, None if text == summary else text)


def _unmeasured(ruleset: Ruleset, decision: Decision) -> str:
    """Which of height and girth nobody measured, in words; empty where both are."""
    axes = [axis for axis in decision.axes.values() if axis.axis in (HEIGHT, GIRTH) and axis.confidence != "measured"]
    return ", ".join(f"{ruleset.axes[axis.axis].title} {_SURE[axis.confidence]}" for axis in axes)


def _sureness(ruleset: Ruleset, decision: Decision, axis: AxisDecision) -> Sureness:
    settling = next((entry.fact for entry in decision.measure_next if axis.axis in entry.axes), None)
    field = settling or (ruleset.axes[axis.axis].fact if axis.confidence != "measured" else None)
    words = _SURE if ruleset.axes[axis.axis].edges else _SURE_OF_A_CHOICE
    return Sureness(ruleset.axes[axis.axis].title, words[axis.confidence], axis.confidence or "none", field)


def _find_out(ruleset: Ruleset, decision: Decision) -> Iterator[FindOut]:
    """Dangers that nobody recorded as one, then what could stop the fitting or change the size, then what else is asked."""
    dangers = [question for question in decision.ask if question.danger]
    spoken_for = {question.fact for question in dangers}
    if decision.dangers_not_recorded is not None:
        names = decision.dangers_not_recorded.text
        first = decision.dangers_not_recorded.facts[0]
        yield FindOut(names.rstrip("."), names, "whether to stop", first, questions=tuple(dangers))
    asked = {entry.fact: entry for entry in decision.measure_next}
    spoken_for |= {other for fact, other in INSTEAD.items() if fact in asked}
    for entry in asked.values():
        if entry.fact not in spoken_for:
            spoken_for.add(entry.fact)
            instead = asked.get(INSTEAD.get(entry.fact, ""))
            yield FindOut(
                entry.label,
                entry.ask,
                _changes(ruleset, instead or entry),
                entry.fact,
                DRAWINGS.get(entry.fact),
                instead=instead,
            )
    for question in decision.ask:
        if question.fact not in spoken_for:
            yield FindOut(question.label, question.ask, "what is to be done", question.fact)


def _changes(ruleset: Ruleset, entry: MeasureNext) -> str:
    titles = [ruleset.axes[axis].title for axis in entry.axes]
    parts: Sequence[str] = [*titles, "whether a size is given"] if entry.could_withhold else titles
    together = f" (only together with {' and '.join(entry.with_labels)})" if entry.with_labels else ""
    return (", ".join(parts) or "the size, with other answers") + together
