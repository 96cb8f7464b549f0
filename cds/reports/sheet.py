"""The downtime sheet: one printable page of questions, computed from the rules, for when the record system is down."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from rules.answers import Answers
from rules.conditions import describe
from rules.decide import Decider
from rules.decision import Task
from rules.facts import FactDefinition
from rules.question_tree import KNOWN, Outcome, Question, axis_tree, stop_questions
from rules.ruleset import Axis, Rule, Ruleset


@dataclass(frozen=True)
class Row:
    """One question: its number on the sheet, what is asked, and each group of answers with what follows from it."""

    number: str
    question: str
    answers: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Section:
    """Questions that decide one thing."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Sheet:
    """The whole page, as words."""

    title: str
    about: str
    stops: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    tasks: tuple[str, ...]
    cautions: tuple[str, ...]
    foot: str


def sheet(ruleset: Ruleset, printed: date) -> Sheet:
    """The sheet of ``ruleset``, dated ``printed``."""
    trees = [axis_tree(ruleset, axis) for axis in ruleset.axes.values()]
    sections, first = [], 1
    for tree in trees:
        section = _section(ruleset, tree.axis, tree.root, first)
        sections.append(section)
        first += len(section.rows)
    average = sum(tree.expected for tree in trees)
    # Whatever the moment: the patient here is one of whom nothing is known.
    nobody = Decider(ruleset).decide({}, datetime.combine(printed, datetime.min.time(), UTC))
    local = f", {len(ruleset.local_changes)} local changes" if ruleset.local_changes else ""
    return Sheet(
        title="Rigid neck collar: size without the record system",
        about=f"{ruleset.name} {ruleset.version}{local} · content {ruleset.hash[:16]} · printed {printed:%Y-%m-%d}",
        stops=tuple((_condition(ruleset, stop.rule), stop.hold.text) for stop in stop_questions(ruleset)),
        sections=tuple(sections),
        tasks=tuple(map(_task, nobody.tasks)),
        cautions=tuple(_cautions(ruleset)),
        foot=(
            f"{ruleset.disclaimer} Every question is asked where it settles the size soonest: {average:.1f} questions on "
            f"average if {KNOWN:.0%} of questions can be answered and the answers are equally likely. Try the first size "
            "named; go to the next if it is tight. Edges are rounded to 0.01. Enter everything when the system is back; "
            "the sheet is out of date when the content number differs from the one the service shows."
        ),
    )


def _task(task: Task) -> str:
    people = f" ({task.people} people)" if task.people > 1 else ""
    return f"{task.title}: {task.timing_words}{people}"


def _condition(ruleset: Ruleset, rule: Rule) -> str:
    """When ``rule`` applies, with labels in place of names and without the names of parameters."""
    words = re.sub(r" \([a-z0-9_]+\)", "", describe(rule.when)).strip("()")
    for fact in sorted(ruleset.vocabulary, key=len, reverse=True):
        words = words.replace(fact, ruleset.vocabulary[fact].label)
    for sign, instead in (
        (" is true", ""),
        (">=", "at least"),
        ("<=", "at most"),
        ("<", "below"),
        (">", "above"),
        ("_", " "),
    ):
        words = words.replace(sign, instead)
    return words


def _cautions(ruleset: Ruleset) -> Iterator[str]:
    """Critical cautions of rules that withhold no size (those are among the stops), each once."""
    said: set[str] = set()
    for rule in ruleset.rules.values():
        for caution in rule.then.cautions:
            if caution.severity == "critical" and not rule.then.holds and caution.text not in said:
                said.add(caution.text)
                yield caution.text


def _section(ruleset: Ruleset, axis: Axis, root: Question | Outcome, first: int) -> Section:
    questions = list(dict.fromkeys(_questions(root)))
    numbers = {question: str(first + place) for place, question in enumerate(questions)}

    def leads(child: Question | Outcome) -> str:
        return f"go to {numbers[child]}" if isinstance(child, Question) else _result(axis, child)

    rows = tuple(
        Row(
            numbers[question],
            _asked(ruleset.vocabulary[question.fact]),
            tuple(
                (_answers(ruleset.vocabulary[question.fact], given), leads(child)) for given, child in question.branches
            ),
        )
        for question in questions
    )
    return Section(axis.title, rows)


def _questions(node: Question | Outcome) -> Iterator[Question]:
    """Every question below ``node``, those nearer to it first."""
    waiting: list[Question | Outcome] = [node]
    while waiting:
        here = waiting.pop(0)
        if isinstance(here, Question):
            yield here
            waiting.extend(child for _, child in here.branches)


def _asked(fact: FactDefinition) -> str:
    unit = f" ({_unit(fact)})" if fact.unit and not fact.unit.startswith("{") else ""
    return f"{fact.label[0].upper()}{fact.label[1:]}{unit}?"


def _unit(fact: FactDefinition) -> str:
    return "years" if fact.unit == "a" else str(fact.unit)


def _answers(fact: FactDefinition, given: Answers) -> str:
    parts = [_span(fact, low, high) for low, high in given.spans]
    if fact.type == "boolean":
        parts += ["yes" if value is True else "no" for value in given.values]
    else:
        parts += [str(value).replace("_", " ") for value in given.values]
    return " or ".join([*parts, *(["not known"] if given.unknown else [])])


def _span(fact: FactDefinition, low: float, high: float) -> str:
    least, most = fact.range or (low, high)
    if low == high:
        return _number(low)
    if low <= least:
        return "any number" if high >= most else f"below {_number(high)}"
    return f"{_number(low)} or more" if high >= most else f"{_number(low)} to below {_number(high)}"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _result(axis: Axis, outcome: Outcome) -> str:
    if outcome.hold is not None:
        return f"NO SIZE: {outcome.hold}"
    words = (value.replace("_", " ") for value in outcome.candidates)
    return ", then ".join(words) or "none"


def plain(text: str, replaced: Sequence[tuple[str, str]] = (("–", "-"), ("—", "-"), ("’", "'"), ("…", "..."))) -> str:
    """``text`` with the marks that a printer's own fonts lack written otherwise."""
    for mark, instead in replaced:
        text = text.replace(mark, instead)
    return text
