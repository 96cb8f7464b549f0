"""The downtime sheet: one printable page of questions, computed from the rules, for when the record system is down."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from math import ceil
from string import ascii_lowercase

from cds.site.catalogue_matching import CHOSEN_AXES, GIRTH, HEIGHT, Item
from rules.batch.answer_partitions import Answers
from rules.batch.question_tree import AxisTree, Outcome, QuestionNode, axis_tree, stop_questions
from rules.deciding.decider import Decider
from rules.model.conditions import describe, evaluate
from rules.model.decision import Task
from rules.model.facts import FactDefinition
from rules.model.ruleset import Axis, Rule, Ruleset

STOP = "No sized collar if"
ASK = "Otherwise follow the numbers"
HOW = (
    "Begin below each heading. Try the size named first, then, if it is tight, the next. A range ends below its last "
    "number. Sizes are explained overleaf."
)
SIZES = "What a size stands for"
SHELF = "On our shelf, each with the necks that it takes: height x circumference in mm"
EVERYBODY = "For everybody who gets a collar"
CAUTIONS = "Cautions"

_COLUMN = 62
"""About how many letters stand in one line of a column."""
_FINGER = "{finger}"
"""UCUM unit of finger-breadths."""
GO_TO = "go to "
"""How an answer begins that leads on to another question; any other answer ends with a result."""
OTHERWISE = "; "
"""What stands between that which follows for most lines and each exception."""


_GROUPS = {
    "Airway, breathing, swallowing": (
        "dangers.airway",
        "dangers.circulation",
        "dangers.swallowing",
        "fit_check.stop.breathing",
    ),
    "Head and spine": ("dangers.spine", "dangers.guard", "dangers.head", "sizing", "application"),
    "While the collar is on": ("fit_check", "dangers.new", "dangers.lines", "review", "skin"),
}
"""Cautions by what they are about: how the ids of their rules begin. Any other stands under ``_OTHER``."""
_OTHER = "And"

_NOT_ON_PAPER = frozenset({"apparent_age_group", "guideline_adult"})
"""Facts that only the record can set against another: two records of age, a scan read by a guideline."""


@dataclass(frozen=True)
class SheetQuestion:
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
class SheetSection:
    """Questions that decide one thing, and what each letter at a NO SIZE stands for."""

    title: str
    rows: tuple[SheetQuestion, ...]
    notes: tuple[str, ...] = ()

    @property
    def lines(self) -> float:
        """About how many lines it takes in a column, its title included."""
        return 1 + sum(row.lines for row in self.rows) + sum(math.ceil(len(note) / _COLUMN) for note in self.notes)


SheetGroup = tuple[str, tuple[str, ...]]
"""A title, and the lines below it."""


@dataclass(frozen=True)
class Sheet:
    """The whole page, as words. ``columns`` are the questions, to be set side by side.

    ``sizes`` says what each value of a size stands for, ``shelf`` which items the site has, ``cautions`` what is dangerous, by
    groups.
    """

    title: str
    about: str
    stops: tuple[tuple[str, str], ...]
    columns: tuple[tuple[SheetSection, ...], ...]
    sizes: tuple[str, ...]
    shelf: tuple[str, ...]
    tasks: tuple[str, ...]
    cautions: tuple[SheetGroup, ...]
    foot: str


def sheet(ruleset: Ruleset, printed: date, items: Sequence[Item] = ()) -> Sheet:
    """The sheet of ``ruleset``, dated ``printed``, with the ``items`` that the site stocks."""
    trees = [axis_tree(ruleset, axis) for axis in ruleset.axes.values()]
    # Whatever the moment: the patient here is one of whom nothing is known.
    nobody = Decider(ruleset).decide({}, datetime.combine(printed, datetime.min.time(), UTC))
    local = f", {len(ruleset.local_changes)} local changes" if ruleset.local_changes else ""
    return Sheet(
        title="Rigid neck collar: size without the record system",
        about=f"{ruleset.name} {ruleset.version}{local} · content {ruleset.hash[:16]} · printed {printed:%Y-%m-%d}",
        stops=tuple(
            (_condition(ruleset, stop.rule), _what_to_do(stop.hold.summary)) for stop in stop_questions(ruleset)
        ),
        columns=_columns(ruleset, trees),
        sizes=tuple(_sizes(ruleset)),
        shelf=tuple(_shelf(ruleset, items)),
        tasks=tuple(_tasks(nobody.tasks)),
        cautions=tuple(_cautions(ruleset)),
        foot=(
            f"{ruleset.disclaimer} When the system is back, enter everything. The sheet is out of date when the service shows "
            "another content number."
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
        lines += [f"       {note}" for note in section.notes]
    for title, items in ((SIZES, sheet.sizes), (SHELF, sheet.shelf), (EVERYBODY, sheet.tasks)):
        lines += ["", title, *(f"  - {item}" for item in items)] if items else []
    lines += ["", CAUTIONS]
    for name, items in sheet.cautions:
        lines += [f"  {name}", *(f"    - {item}" for item in items)]
    return "\n".join([*lines, "", sheet.foot])


def _columns(ruleset: Ruleset, trees: Sequence[AxisTree]) -> tuple[tuple[SheetSection, ...], ...]:
    """The sections in two columns of about one length, numbered from the top of the first to the end of the second.

    The first axis stands at the top of the first column: what it comes to is asked for again under the others.
    """
    lengths = [_SectionWriter(ruleset, tree, 1, 0).section.lines for tree in trees]
    whole = sum(lengths)

    def unequal(chosen: tuple[bool, ...]) -> float:
        return abs(whole - 2 * sum(itertools.compress(lengths, chosen)))

    choices = ((True, *rest) for rest in itertools.product((True, False), repeat=len(trees) - 1))
    left = min(choices, key=unequal)
    columns, first, letters = [], 1, 0
    for side in (True, False):
        sections = []
        for tree in (tree for tree, chosen in zip(trees, left, strict=True) if chosen is side):
            section = _SectionWriter(ruleset, tree, first, letters).section
            sections.append(section)
            first += len(section.rows)
            letters += len(section.notes)
        columns.append(tuple(sections))
    return tuple(columns)


def _sizes(ruleset: Ruleset) -> Iterator[str]:
    """What each value of an axis stands for, a line an axis; nothing of one whose values say it themselves (the line)."""
    for axis in ruleset.axes.values():
        named = [(value.replace("_", " "), axis.words[value]) for value in axis.values]
        if axis.edges:
            about = _shared_start([words.split() for _, words in named])
            bands = "; ".join(f"{value} {words.removeprefix(about).strip()}" for value, words in named)
            yield f"{(about or axis.title).capitalize()}: {bands}"
        elif any(words != f"{value} {axis.title}" for value, words in named):
            yield "; ".join(f"{value}: {words}" for value, words in named)


def _shared_start(several: Sequence[Sequence[str]]) -> str:
    """The words with which each of ``several`` begins."""
    return " ".join(
        first[0] for first in itertools.takewhile(lambda words: len(set(words)) == 1, zip(*several, strict=False))
    )


def _shelf(ruleset: Ruleset, items: Iterable[Item]) -> Iterator[str]:
    """``items`` by line, contour and back, smallest first: for whom each is, and which necks it takes."""
    axes = [ruleset.axes[name] for name in CHOSEN_AXES if name in ruleset.axes]

    def order(item: Item) -> tuple[list[list[int]], tuple[float, float]]:
        return [[axis.values.index(value) for value in item.axes[axis.name]] for axis in axes], item.size

    for item in sorted(items, key=order):
        kinds = [_values(axis, item.axes[axis.name]) for axis in axes if item.axes[axis.name] != (axis.silent,)]
        (lowest, highest), (least, most) = item.ranges[HEIGHT], item.ranges[GIRTH]
        left = " (none left)" if item.quantity == 0 else ""
        whom = ", ".join(kinds).replace("_", " ")
        takes = f"{lowest:g}–{highest:g} x {least:g}–{most:g}{left}"
        yield f"{whom[:1].upper()}{whom[1:]}: {item.item} {item.name}, {takes}"


def _values(axis: Axis, values: tuple[str, ...]) -> str:
    return f"any {axis.title}" if set(values) == set(axis.values) else " or ".join(values)


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


def _what_to_do(summary: str) -> str:
    """``summary`` without the reason before its colon: on the sheet the condition stands there."""
    _, colon, what = summary.partition(": ")
    return what[0].upper() + what[1:] if colon else summary


def _at_home_alone(rule: Rule) -> bool:
    """Whether ``rule`` fires at home and in no hospital."""
    at_home, in_hospital = (evaluate(rule.when, {"setting": place}) for place in ("home", "emergency"))
    return in_hospital is False and at_home is not False


def _cautions(ruleset: Ruleset) -> Iterator[SheetGroup]:
    """Critical cautions of rules that withhold no size (those are among the stops), by group, each once, in short.

    What is said of leaving is left out, what is said at home alone, and what rests on a scan or on two records of age: the sheet
    is for sizing and fitting in a hospital.
    """
    said: dict[str, str] = {}
    for rule in ruleset.rules.values():
        if rule.then.holds or rule.topic == "handover" or rule.reads & _NOT_ON_PAPER or _at_home_alone(rule):
            continue
        for caution in rule.then.cautions:
            if caution.severity == "critical":
                said.setdefault(caution.summary, _group(rule.id))
    for title in (*_GROUPS, _OTHER):
        found = tuple(summary for summary, group in said.items() if group == title)
        if found:
            yield title, found


def _group(rule: str) -> str:
    """The group of the cautions of ``rule``: of those whose beginning is its own, the one with the longest."""
    fitting = [
        (len(start), title)
        for title, starts in _GROUPS.items()
        for start in starts
        if f"{rule}.".startswith(f"{start}.")
    ]
    return max(fitting)[1] if fitting else _OTHER


@dataclass(frozen=True)
class _Step:
    """Questions that one line of the sheet asks: a single one, or several of which any leads out the same way.

    ``out`` are the answers, fact by fact, that lead to ``exit``; where none of them is given, ``onward`` follows.
    """

    first: QuestionNode
    out: tuple[tuple[str, Answers], ...] = ()
    exit: Outcome | None = None
    onward: QuestionNode | Outcome | None = None

    @property
    def leads_to(self) -> tuple[QuestionNode | Outcome, ...]:
        return tuple(child for _, child in self.first.branches) if self.onward is None else (self.onward,)


def _answered_before(ruleset: Ruleset, question: QuestionNode) -> bool:
    """Whether the questions of another axis have answered ``question`` (the line)."""
    return not ruleset.vocabulary[question.fact].open


def _step(ruleset: Ruleset, question: QuestionNode) -> _Step:
    """``question``, with those that follow it and lead out the same way taken into the same line."""
    chains = [_chain(ruleset, question, child) for _, child in question.branches if isinstance(child, Outcome)]
    longest = max(chains, key=lambda step: len(step.out), default=None)
    return longest if longest is not None and len(longest.out) > 1 else _Step(question)


def _chain(ruleset: Ruleset, question: QuestionNode, exit: Outcome) -> _Step:
    """All questions from ``question`` on that are still open and have two ways, of which one leads to ``exit``."""
    out: list[tuple[str, Answers]] = []
    here: QuestionNode | Outcome = question
    while isinstance(here, QuestionNode) and len(here.branches) == 2 and not _answered_before(ruleset, here):
        leaving = next((answers for answers, child in here.branches if child == exit), None)
        if leaving is None:
            break
        out.append((here.fact, leaving))
        here = next(child for _, child in here.branches if child != exit)
    return _Step(question, tuple(out), exit, here)


class _SectionWriter:
    """The questions of one axis in words, numbered from ``first``; its notes have letters from the one at ``letter``.

    A question that the part of another axis has answered (the line) takes no row: what follows is said for each answer to
    it, that for the others first.
    """

    def __init__(self, ruleset: Ruleset, tree: AxisTree, first: int, letter: int) -> None:
        self._ruleset = ruleset
        self._letter = letter
        self._notes: dict[str, str] = {}
        steps = list(self._steps(tree.root))
        self._numbers = {step.first: str(first + place) for place, step in enumerate(steps)}
        rows = tuple(self._row(step) for step in steps)
        self.section = SheetSection(tree.axis.title, rows, tuple(self._notes.values()))

    def _steps(self, root: QuestionNode | Outcome) -> Iterator[_Step]:
        """Every line below ``root`` once, those nearer to it first."""
        waiting: list[QuestionNode | Outcome] = [root]
        seen: set[QuestionNode] = set()
        while waiting:
            here = waiting.pop(0)
            if not isinstance(here, QuestionNode) or here in seen:
                continue
            seen.add(here)
            if here is not root and _answered_before(self._ruleset, here):
                waiting[:0] = [child for _, child in here.branches]
                continue
            step = _step(self._ruleset, here)
            yield step
            waiting.extend(step.leads_to)

    def _row(self, step: _Step) -> SheetQuestion:
        number = self._numbers[step.first]
        if step.exit is not None and step.onward is not None:
            found = tuple(_finding(self._ruleset.vocabulary[fact], answers) for fact, answers in step.out)
            answers = (("any", self._leads(step.exit)), ("none", self._leads(step.onward)))
            return SheetQuestion(number, "Any of these?", answers, found)
        fact = self._ruleset.vocabulary[step.first.fact]
        said = ((_answers(fact, given), self._leads(child)) for given, child in step.first.branches)
        return SheetQuestion(number, _asked(fact), tuple((words, leading) for words, leading in said if words))

    def _leads(self, child: QuestionNode | Outcome) -> str:
        if not isinstance(child, QuestionNode):
            return self._result(child)
        if child in self._numbers:
            return GO_TO + self._numbers[child]
        fact = self._ruleset.vocabulary[child.fact]
        branches = [(given, self._leads(after)) for given, after in child.branches]
        named = {value for given, _ in branches for value in given.values}
        # Where the branch of an unknown line holds no line that there is, nobody gets what follows: what most lines get leads.
        nobody = named == set(fact.values)
        kept = [(given, leads) for given, leads in branches if given.values or not nobody]
        others, *exceptions = sorted(kept, key=lambda branch: (not branch[0].unknown, -len(branch[0].values)))
        return OTHERWISE.join([others[1], *(f"{_run(fact, given)}: {leads}" for given, leads in exceptions)])

    def _result(self, outcome: Outcome) -> str:
        if outcome.hold is None:
            words = (value.replace("_", " ") for value in outcome.candidates)
            return ", ".join(words) or "no size (see above)"
        if outcome.hold not in self._notes:
            letter = ascii_lowercase[self._letter + len(self._notes)]
            self._notes[outcome.hold] = f"({letter}) {outcome.hold}"
        return f"NO SIZE {self._notes[outcome.hold][:3]}"


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
        # Recorded as unknown and not recorded are one thing on paper.
        parts += [str(value).replace("_", " ") for value in given.values if not (given.unknown and value == "unknown")]
    return _listed([*parts, *(["not known"] if given.unknown else [])])


def _run(fact: FactDefinition, given: Answers) -> str:
    """``given`` in short where it is three codes or more in a row: "infant to child"."""
    places = [fact.values.index(value) for value in given.values if value in fact.values]
    if len(places) > 2 and not given.unknown and max(places) - min(places) + 1 == len(places):
        first, last = (fact.values[place].replace("_", " ") for place in (min(places), max(places)))
        return f"{first} to {last}"
    return _answers(fact, given)


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
    return f"{_number(low)}{unit} or more" if high >= most else f"{_number(low)}–{_number(high)}{unit}"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def plain(text: str, replaced: Sequence[tuple[str, str]] = (("–", "-"), ("—", "-"), ("’", "'"), ("…", "..."))) -> str:
    """``text`` with the marks that a printer's own fonts lack ``replaced``: pairs of the mark and what is written instead."""
    for mark, instead in replaced:
        text = text.replace(mark, instead)
    return text
