"""The downtime sheet: one printable page of questions, computed from the rules, for when the record system is down."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import ceil

from rules.batch.answer_partitions import Answers
from rules.batch.question_tree import KNOWN, AxisTree, Outcome, Question, axis_tree, stop_questions
from rules.deciding.decider import Decider
from rules.model.conditions import describe
from rules.model.decision import Task
from rules.model.facts import FactDefinition
from rules.model.ruleset import Rule, Ruleset

STOP = "No sized collar if"
ASK = "Otherwise ask, and follow the numbers"
HOW = (
    "Begin below each heading. The first size named is tried first, the next if it is tight. A range ends below its last "
    "number."
)
EVERYBODY = "For everybody who gets a collar"
CAUTIONS = "Cautions"

_COLUMN = 62
"""About how many letters stand in one line of a column."""
_FINGER = "{finger}"
"""UCUM unit of finger-breadths."""
GO_TO = "go to "
"""How an answer begins that leads on to another question; any other answer ends with a result."""


_NOT_ON_PAPER = frozenset({"apparent_age_group", "guideline_adult"})
"""Facts that only the record can set against another: two records of age, a scan read by a guideline."""


@dataclass(frozen=True)
class Row:
    """One question: its number on the sheet, what is asked, and each group of answers with what follows from it.

    ``found`` are findings of which any one is asked for; there are none where the question is a single one.
    """

    number: str
    question: str
    answers: tuple[tuple[str, str], ...]
    found: tuple[str, ...] = ()

    @property
    def lines(self) -> float:
        """About how many lines it takes in a column, the gap below it included."""
        pieces = (self.question, *self.found, *itertools.chain.from_iterable(self.answers))
        return math.ceil(sum(len(piece) + 1 for piece in pieces) / _COLUMN) + 0.25


@dataclass(frozen=True)
class Section:
    """Questions that decide one thing."""

    title: str
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Sheet:
    """The whole page, as words. ``columns`` are the questions, to be set side by side."""

    title: str
    about: str
    stops: tuple[tuple[str, str], ...]
    columns: tuple[tuple[Section, ...], ...]
    tasks: tuple[str, ...]
    cautions: tuple[str, ...]
    foot: str


def sheet(ruleset: Ruleset, printed: date) -> Sheet:
    """The sheet of ``ruleset``, dated ``printed``."""
    trees = [axis_tree(ruleset, axis) for axis in ruleset.axes.values()]
    average = sum(tree.expected for tree in trees)
    # Whatever the moment: the patient here is one of whom nothing is known.
    nobody = Decider(ruleset).decide({}, datetime.combine(printed, datetime.min.time(), UTC))
    local = f", {len(ruleset.local_changes)} local changes" if ruleset.local_changes else ""
    return Sheet(
        title="Rigid neck collar: size without the record system",
        about=f"{ruleset.name} {ruleset.version}{local} · content {ruleset.hash[:16]} · printed {printed:%Y-%m-%d}",
        stops=tuple((_condition(ruleset, stop.rule), stop.hold.summary) for stop in stop_questions(ruleset)),
        columns=_columns(ruleset, trees),
        tasks=tuple(_tasks(nobody.tasks)),
        cautions=tuple(_cautions(ruleset)),
        foot=(
            f"{ruleset.disclaimer} Order of questions: {average:.1f} on average if {KNOWN:.0%} can be answered and all answers "
            "are equally likely. Edges are rounded to 0.01. When the system is back, enter everything. The sheet is out of "
            "date when the service shows another content number."
        ),
    )


def as_text(sheet: Sheet) -> str:
    """``sheet`` as lines for a terminal."""
    lines = [sheet.title, sheet.about, "", STOP, *(f"  {condition}: {text}" for condition, text in sheet.stops)]
    lines += ["", ASK, f"  {HOW}"]
    for section in (section for column in sheet.columns for section in column):
        lines += ["", f"  {section.title.capitalize()}"]
        for row in section.rows:
            found = [f"       {'; '.join(row.found)}"] if row.found else []
            answers = (f"       {answer} -> {leads}" for answer, leads in row.answers)
            lines += [f"  {row.number:>3}  {row.question}", *found, *answers]
    for title, items in ((EVERYBODY, sheet.tasks), (CAUTIONS, sheet.cautions)):
        lines += ["", title, *(f"  - {item}" for item in items)]
    return "\n".join([*lines, "", sheet.foot])


def _columns(ruleset: Ruleset, trees: Sequence[AxisTree]) -> tuple[tuple[Section, ...], ...]:
    """The sections in two columns of about one length, numbered from the top of the first to the end of the second."""
    lengths = [1 + sum(row.lines for row in _section(ruleset, tree, 1).rows) for tree in trees]
    whole = sum(lengths)

    def unequal(chosen: tuple[bool, ...]) -> float:
        return abs(whole - 2 * sum(itertools.compress(lengths, chosen)))

    left = min(itertools.product((True, False), repeat=len(trees)), key=unequal)
    columns, first = [], 1
    for side in (True, False):
        sections = []
        for tree in (tree for tree, chosen in zip(trees, left, strict=True) if chosen is side):
            section = _section(ruleset, tree, first)
            sections.append(section)
            first += len(section.rows)
        columns.append(tuple(sections))
    return tuple(columns)


def _tasks(tasks: Iterable[Task]) -> Iterator[str]:
    """A line for all tasks that fall due together and take as many people, in the order of the first of them."""
    together: dict[tuple[str, int], list[str]] = {}
    for task in tasks:
        together.setdefault((task.timing_words, task.people), []).append(task.title)
    for (when, number), titles in together.items():
        people = f" ({number} people)" if number > 1 else ""
        yield f"{'; '.join(titles)}: {when.replace('the collar is put on', 'fitting')}{people}"


def _condition(ruleset: Ruleset, rule: Rule) -> str:
    """When ``rule`` applies, with labels in place of names, units, and without the names of parameters."""
    words = re.sub(r" \([a-z0-9_]+\)", "", describe(rule.when)).strip("()")
    for name in sorted(ruleset.vocabulary, key=len, reverse=True):
        fact = ruleset.vocabulary[name]
        if _has_unit(fact):
            words = re.sub(rf"({name} [<>]=? [0-9.]+)", rf"\1 {_unit(fact)}", words)
        words = words.replace(name, fact.label)
    for sign, instead in (
        (" is true", ""),
        (" is ", ": "),
        (">=", "at least"),
        ("<=", "at most"),
        ("<", "below"),
        (">", "above"),
        ("_", " "),
    ):
        words = words.replace(sign, instead)
    return words[0].upper() + words[1:]


def _cautions(ruleset: Ruleset) -> Iterator[str]:
    """Critical cautions of rules that withhold no size (those are among the stops), each once, in short.

    What is said of leaving is left out, and what rests on a scan or on two records of age: the sheet is for sizing and fitting.
    """
    said: set[str] = set()
    for rule in ruleset.rules.values():
        if rule.then.holds or rule.topic == "handover" or rule.reads & _NOT_ON_PAPER:
            continue
        for caution in rule.then.cautions:
            if caution.severity == "critical" and caution.summary not in said:
                said.add(caution.summary)
                yield caution.summary


@dataclass(frozen=True)
class _Step:
    """Questions that one line of the sheet asks: a single one, or several of which any leads out the same way.

    ``out`` are the answers, fact by fact, that lead to ``exit``; where none of them is given, ``onward`` follows.
    """

    first: Question
    out: tuple[tuple[str, Answers], ...] = ()
    exit: Outcome | None = None
    onward: Question | Outcome | None = None

    @property
    def leads_to(self) -> tuple[Question | Outcome, ...]:
        return tuple(child for _, child in self.first.branches) if self.onward is None else (self.onward,)


def _step(question: Question) -> _Step:
    """``question``, with those that follow it and lead out the same way taken into the same line."""
    chains = [_chain(question, child) for _, child in question.branches if isinstance(child, Outcome)]
    longest = max(chains, key=lambda step: len(step.out), default=None)
    return longest if longest is not None and len(longest.out) > 1 else _Step(question)


def _chain(question: Question, exit: Outcome) -> _Step:
    """All questions from ``question`` on that have two ways, of which one leads to ``exit``."""
    out: list[tuple[str, Answers]] = []
    here: Question | Outcome = question
    while isinstance(here, Question) and len(here.branches) == 2:
        leaving = next((answers for answers, child in here.branches if child == exit), None)
        if leaving is None:
            break
        out.append((here.fact, leaving))
        here = next(child for _, child in here.branches if child != exit)
    return _Step(question, tuple(out), exit, here)


def _section(ruleset: Ruleset, tree: AxisTree, first: int) -> Section:
    """The questions of one axis, numbered from ``first``."""
    steps = list(_steps(tree.root))
    numbers = {step.first: str(first + place) for place, step in enumerate(steps)}

    def leads(child: Question | Outcome) -> str:
        return GO_TO + numbers[child] if isinstance(child, Question) else _result(child)

    return Section(tree.axis.title, tuple(_row(ruleset, step, numbers[step.first], leads) for step in steps))


def _row(ruleset: Ruleset, step: _Step, number: str, leads: Callable[[Question | Outcome], str]) -> Row:
    if step.exit is not None and step.onward is not None:
        found = tuple(_finding(ruleset.vocabulary[fact], answers) for fact, answers in step.out)
        return Row(number, "Any of these?", (("any", leads(step.exit)), ("none", leads(step.onward))), found)
    fact = ruleset.vocabulary[step.first.fact]
    said = ((_answers(fact, given), leads(child)) for given, child in step.first.branches)
    answers = tuple((words, leading) for words, leading in said if words)
    return Row(number, _asked(fact), answers)


def _steps(root: Question | Outcome) -> Iterator[_Step]:
    """Every line below ``root`` once, those nearer to it first."""
    waiting: list[Question | Outcome] = [root]
    seen: set[Question] = set()
    while waiting:
        here = waiting.pop(0)
        if isinstance(here, Question) and here not in seen:
            seen.add(here)
            step = _step(here)
            yield step
            waiting.extend(step.leads_to)


def _finding(fact: FactDefinition, given: Answers) -> str:
    """An answer to the question for ``fact`` as something that may be found."""
    if fact.type == "boolean" and given.values == (True,):
        return fact.label + (" or not known" if given.unknown else "")
    return f"{fact.label} {_answers(fact, given, f' {_unit(fact)}' if _has_unit(fact) else '')}"


def _asked(fact: FactDefinition) -> str:
    unit = f" ({_unit(fact)})" if _has_unit(fact) else " (halves)" if fact.unit == _FINGER else ""
    return f"{fact.label[0].upper()}{fact.label[1:]}{unit}?"


def _has_unit(fact: FactDefinition) -> bool:
    """Whether the number is said with a unit; a count or a score, which UCUM writes in braces, is not."""
    return bool(fact.unit) and not str(fact.unit).startswith("{")


def _unit(fact: FactDefinition) -> str:
    return "years" if fact.unit == "a" else str(fact.unit)


def _answers(fact: FactDefinition, given: Answers, unit: str = "") -> str:
    spans = [_halves(low, high) for low, high in given.spans] if fact.unit == _FINGER else given.spans
    parts = [_span(fact, low, high, unit) for low, high in spans if low < high or (low, high) in given.spans]
    if fact.type == "boolean":
        parts += ["yes" if value is True else "no" for value in given.values]
    else:
        parts += [str(value).replace("_", " ") for value in given.values]
    return _listed([*parts, *(["not known"] if given.unknown else [])])


def _halves(low: float, high: float) -> tuple[float, float]:
    """The half fingers from ``low`` to below ``high``: fingers are counted whole or half. Empty where both ends are equal."""
    return ceil(low * 2) / 2, ceil(high * 2) / 2


def _listed(parts: Sequence[str]) -> str:
    """``a``, ``a or b``, ``a, b or c``."""
    return " or ".join([part for part in (", ".join(parts[:-1]), *parts[-1:]) if part])


def _span(fact: FactDefinition, low: float, high: float, unit: str) -> str:
    least, most = fact.range or (low, high)
    if low == high:
        return _number(low) + unit
    if low <= least:
        return "any number" if high >= most else f"below {_number(high)}{unit}"
    return f"{_number(low)}{unit} or more" if high >= most else f"{_number(low)} to {_number(high)}{unit}"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _result(outcome: Outcome) -> str:
    if outcome.hold is not None:
        return f"NO SIZE: {outcome.hold}"
    words = (value.replace("_", " ") for value in outcome.candidates)
    return ", ".join(words) or "no size (see above)"


def plain(text: str, replaced: Sequence[tuple[str, str]] = (("–", "-"), ("—", "-"), ("’", "'"), ("…", "..."))) -> str:
    """``text`` with the marks that a printer's own fonts lack written otherwise."""
    for mark, instead in replaced:
        text = text.replace(mark, instead)
    return text
