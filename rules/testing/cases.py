"""Worked cases: facts in, and what the decision must say of them. For clinical rules what unit tests are for code.

A case stands in ``knowledge/cases/*.yaml``; ``docs/rule-authors.md`` shows every key. Only what a case states is checked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import Field

from rules.deciding.decider import Decider
from rules.errors import KnowledgeError, Place
from rules.evaluation.hit_policy import read_size_class, size_class
from rules.loading import schema
from rules.loading.loader import KNOWLEDGE
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import Decision, Task
from rules.model.facts import FactValue
from rules.model.rule_text import describe_value
from rules.model.ruleset import Basis, Ruleset

CASES = KNOWLEDGE / "cases"
MOMENT = datetime(2026, 1, 1, 12, tzinfo=UTC)
"""The moment of decision of every case; facts of a case carry no time, so it changes nothing but the stamp."""
NO_SIZE = "none"

_Path = tuple[str | int, ...]
_FLOAT_TOLERANCE = 1e-3


class TaskExpectation(schema.Schema):
    """What a case says of one task; a key that is left out is not checked. ``details`` are parts of what a rule adds."""

    every_hours: float | None = None
    times_per_day: int | None = None
    within_hours: float | None = None
    on: tuple[str, ...] | None = None
    for_days: float | None = None
    people: int | None = None
    performer: str | None = None
    details: tuple[str, ...] = ()


class ExpectShape(schema.Schema):
    """A case's ``expect``. Beside these keys, each size axis may be given by its name."""

    size: str | None = None
    candidates: tuple[str, ...] | None = None
    confidence: Basis | None = None
    settled: bool | None = None
    holds: tuple[str, ...] = ()
    tasks: dict[str, TaskExpectation] = Field(default_factory=dict)
    no_tasks: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    no_cautions: tuple[str, ...] = ()
    instructions: tuple[str, ...] = ()
    no_instructions: tuple[str, ...] = ()
    assessments: dict[str, schema.Scalar | None] = Field(default_factory=dict)
    concludes: dict[str, schema.Scalar | None] = Field(default_factory=dict)
    measure_next: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    no_asks: tuple[str, ...] = ()


class CaseShape(schema.Schema):
    """One entry of ``cases``."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_.-]*$")
    shows: str
    source: str
    facts: dict[str, schema.Scalar]
    fires: tuple[str, ...] = ()
    silent: tuple[str, ...] = ()
    expect: dict[str, Any] = Field(default_factory=dict)


@dataclass(frozen=True)
class Case:
    """A worked case that was read and checked against the names of a ruleset. ``axes`` are expected axis values."""

    name: str
    shows: str
    source: str
    facts: Mapping[str, FactValue]
    fires: tuple[str, ...]
    silent: tuple[str, ...]
    expect: ExpectShape
    axes: Mapping[str, str]
    place: Place


@dataclass(frozen=True)
class Difference:
    """One expectation that the decision did not meet."""

    what: str
    expected: str
    actual: str

    def __str__(self) -> str:
        return f"{self.what}: expected {self.expected}, actual {self.actual}"


@dataclass(frozen=True)
class CaseResult:
    """What became of one case."""

    case: Case
    decision: Decision
    differences: tuple[Difference, ...]

    @property
    def passed(self) -> bool:
        """Whether every expectation was met."""
        return not self.differences

    def describe(self) -> str:
        """The failing expectations and the trace, one a line; a passed case is one line."""
        if self.passed:
            return f"{self.case.place}: {self.case.name}: as expected"
        lines = [f"{self.case.place}: {self.case.name} ({self.case.shows})"]
        lines += [f"    {difference}" for difference in self.differences]
        lines += ["    facts: " + ", ".join(f"{name} = {shown(value)}" for name, value in self.case.facts.items())]
        lines += ["    trace:"]
        for entry in self.decision.trace:
            reasons = "; ".join(comparison.text for comparison in entry.comparisons) or "always"
            lines.append(f"      {entry.rule}: {reasons}")
        return "\n".join(lines)


# --- reading ---------------------------------------------------------------------------------------------------------


def load_cases(ruleset: Ruleset, folder: Path = CASES) -> tuple[Case, ...]:
    """Every case of the ``*.yaml`` files in ``folder``, read against ``ruleset``.

    Raises KnowledgeError with every problem found.
    """
    files = sorted(folder.glob("*.yaml"))
    if not files:
        raise KnowledgeError([(Place(str(folder)), "no *.yaml file here; give a folder of case files")])
    return read_cases(ruleset, [YamlFile.read(path, f"cases/{path.name}") for path in files])


def read_cases(ruleset: Ruleset, files: Iterable[YamlFile]) -> tuple[Case, ...]:
    """The cases of parsed ``files``, checked against ``ruleset``. Raises KnowledgeError with every problem found."""
    problems: list[tuple[Place, str]] = []
    found: dict[str, Case] = {}
    for file in files:
        if not isinstance(file.data, dict) or list(file.data) != ["cases"] or not isinstance(file.data["cases"], list):
            problems.append((file.place(), "expected one key at the top, cases, with a list below it"))
            continue
        for index in range(len(file.data["cases"])):
            case = _CaseParsing(ruleset, file, ("cases", index), problems).case()
            if case is None:
                continue
            if case.name in found:
                problems.append((case.place, f"a case called {case.name} already stands in {found[case.name].place}"))
            found[case.name] = case
    if problems:
        raise KnowledgeError(problems)
    return tuple(found.values())


class _CaseParsing:
    """One case being read; problems go to the list that the caller gave."""

    def __init__(self, ruleset: Ruleset, file: YamlFile, path: _Path, problems: list[tuple[Place, str]]) -> None:
        self.ruleset = ruleset
        self.file = file
        self.path = path
        self.problems = problems

    def wrong(self, path: _Path, message: str) -> None:
        self.problems.append((self.file.place(*self.path, *path), message))

    def case(self) -> Case | None:
        value = self.file.data["cases"][self.path[-1]]
        shape = schema.read(self.file, self.path, value, CaseShape)
        if isinstance(shape, list):
            self.problems.extend(shape)
            return None
        axes = {key: word for key, word in shape.expect.items() if key in self.ruleset.axes}
        rest = {key: word for key, word in shape.expect.items() if key not in axes}
        expect = schema.read(self.file, (*self.path, "expect"), rest, ExpectShape)
        if isinstance(expect, list):
            self.problems.extend(expect)
            return None
        self.check(shape, expect, axes)
        return Case(
            name=shape.name,
            shows=shape.shows,
            source=shape.source,
            facts=dict(shape.facts),
            fires=shape.fires,
            silent=shape.silent,
            expect=expect,
            axes=axes,
            place=self.file.place(*self.path, "name"),
        )

    def check(self, shape: CaseShape, expect: ExpectShape, axes: Mapping[str, Any]) -> None:
        ruleset = self.ruleset
        for name, value in shape.facts.items():
            problem = ruleset.vocabulary.problem(name, value)
            if problem is not None:
                self.wrong(("facts", name), f"{value!r}: {problem.message}; accepted: {problem.accepted}")
        for key, ids in (("fires", shape.fires), ("silent", shape.silent)):
            self.names((key,), ids, ruleset.rules, "rule")
        both = set(shape.fires) & set(shape.silent)
        if both:
            self.wrong(("silent",), f"also listed under fires: {', '.join(sorted(both))}")
        if not (shape.fires or shape.silent or shape.expect):
            self.wrong((), "nothing is expected; give fires, silent or expect")
        self.names(("expect", "tasks"), expect.tasks, ruleset.tasks, "task")
        self.names(("expect", "no_tasks"), expect.no_tasks, ruleset.tasks, "task")
        for key in ("assessments", "concludes"):
            self.names(("expect", key), getattr(expect, key), ruleset.vocabulary, "fact")
        for fact in expect.assessments:
            if fact in ruleset.vocabulary and not ruleset.vocabulary[fact].reported:
                self.wrong(("expect", "assessments", fact), f"{fact} is not reported; use concludes")
        written = {name: None for leaflet in ruleset.leaflets.values() for name in leaflet.texts}
        self.names(("expect", "instructions"), expect.instructions, written, "instruction")
        self.names(("expect", "no_instructions"), expect.no_instructions, written, "instruction")
        for key in ("measure_next", "asks", "no_asks"):
            self.names(("expect", key), getattr(expect, key), ruleset.vocabulary, "fact")
        for axis, word in axes.items():
            if word != NO_SIZE and word not in ruleset.axes[axis].values:
                known = ", ".join((*ruleset.axes[axis].values, NO_SIZE))
                self.wrong(("expect", axis), f"{word!r} is not a value of this axis; there are: {known}")
        for name, task in expect.tasks.items():
            self.names(("expect", "tasks", name, "on"), task.on or (), ruleset.triggers, "trigger")
        codes = [("size", expect.size)] if expect.size not in (None, NO_SIZE) else []
        codes += [("candidates", code) for code in expect.candidates or ()]
        for key, code in codes:
            if not _is_code(ruleset, str(code)):
                self.wrong(("expect", key), f"{code!r} is not a size class; give one value of each axis in order")

    def names(self, path: _Path, given: Iterable[str], known: Mapping[str, object], what: str) -> None:
        for index, name in enumerate(given):
            if name not in known:
                step = name if isinstance(given, Mapping) else index
                self.wrong((*path, step), f"no {what} called {name!r}")


def _is_code(ruleset: Ruleset, code: str) -> bool:
    try:
        return size_class(ruleset, read_size_class(ruleset, code)).code == code
    except ValueError:
        return False


# --- running ---------------------------------------------------------------------------------------------------------


def run_cases(decider: Decider, cases: Iterable[Case]) -> Iterator[CaseResult]:
    """Each of ``cases`` decided by ``decider`` and held against what it expects."""
    for case in cases:
        yield run_case(decider, case)


def run_case(decider: Decider, case: Case) -> CaseResult:
    """One ``case`` decided by ``decider`` and held against what it expects."""
    decision = decider.decide(case.facts, MOMENT)
    return CaseResult(case, decision, tuple(differences(case, decision)))


def differences(case: Case, decision: Decision) -> Iterator[Difference]:
    """Every expectation of ``case`` that ``decision`` does not meet."""
    yield from _rules(case, decision)
    yield from _size(case, decision)
    yield from _tasks(case, decision)
    texts = [caution.text for caution in decision.cautions]
    yield from _substrings("caution", case.expect.cautions, texts)
    yield from _absent_substrings(case.expect.no_cautions, texts)
    yield from _substrings("hold", case.expect.holds, [hold.text for hold in decision.holds])
    assessed = {assessment.fact: assessment.value for assessment in decision.assessments}
    yield from _values("assessment", case.expect.assessments, assessed)
    concluded = {fact: value for entry in decision.trace for fact, value in entry.concluded.items()}
    yield from _values("concluded", case.expect.concludes, concluded)
    yield from _instructions(case, decision)
    asked = [entry.fact for entry in decision.measure_next]
    for fact in case.expect.measure_next:
        if fact not in asked:
            yield Difference("measure next", fact, _listed(asked))
    yield from _asked(case, decision)


def _rules(case: Case, decision: Decision) -> Iterator[Difference]:
    fired = {entry.rule for entry in decision.trace}
    for rule in case.fires:
        if rule not in fired:
            yield Difference(f"rule {rule}", "fires", "silent")
    for rule in case.silent:
        if rule in fired:
            yield Difference(f"rule {rule}", "silent", "fires")


def _size(case: Case, decision: Decision) -> Iterator[Difference]:
    expect = case.expect
    code = NO_SIZE if decision.size_class is None else decision.size_class.code
    if expect.size is not None and expect.size != code:
        yield Difference("size", expect.size, code)
    if expect.candidates is not None:
        codes = tuple(candidate.size_class.code for candidate in decision.candidates)
        if expect.candidates != codes:
            yield Difference("candidates", _listed(expect.candidates), _listed(codes))
    for axis, value in case.axes.items():
        found = decision.axes[axis].value or NO_SIZE
        if value != found:
            yield Difference(axis, value, found)
    if expect.confidence is not None and expect.confidence != decision.confidence:
        yield Difference("confidence", expect.confidence, decision.confidence or "none")
    if expect.settled is not None and expect.settled != decision.settled:
        yield Difference("settled", shown(expect.settled), shown(decision.settled))


def _tasks(case: Case, decision: Decision) -> Iterator[Difference]:
    tasks = {task.task: task for task in decision.tasks}
    for name, expected in case.expect.tasks.items():
        if name not in tasks:
            yield Difference(f"task {name}", "asked for", f"not asked for; there are: {_listed(tasks)}")
        else:
            yield from _task(name, expected, tasks[name])
    for name in case.expect.no_tasks:
        if name in tasks:
            rules = ", ".join(tasks[name].rules)
            yield Difference(f"task {name}", "not asked for", f"{tasks[name].timing_words} (by {rules})")


def _task(name: str, expected: TaskExpectation, task: Task) -> Iterator[Difference]:
    yield from _substrings(f"task {name}, detail", expected.details, list(task.details))
    for key in expected.model_fields_set - {"details"}:
        wanted = getattr(expected, key)
        found = getattr(task if key in ("people", "performer") else task.timing, key)
        if key == "on":
            wanted, found = sorted(wanted or ()), sorted(found)
        if not _equal(wanted, found):
            yield Difference(f"task {name}, {key}", shown(wanted), shown(found))


def _instructions(case: Case, decision: Decision) -> Iterator[Difference]:
    given = {entry.instruction: entry.rules for entry in decision.instructions}
    for name in case.expect.instructions:
        if name not in given:
            yield Difference(f"instruction {name}", "given", f"not given; there are: {_listed(given)}")
    for name in case.expect.no_instructions:
        if name in given:
            yield Difference(f"instruction {name}", "not given", f"given (by {_listed(given[name])})")


def _asked(case: Case, decision: Decision) -> Iterator[Difference]:
    """What is asked for: the questions, and the dangers in the line of those that are not recorded."""
    missing = decision.dangers_not_recorded
    asked = dict.fromkeys([*(question.fact for question in decision.ask), *(missing.facts if missing else ())])
    for fact in case.expect.asks:
        if fact not in asked:
            yield Difference("asked for", fact, _listed(asked))
    for fact in case.expect.no_asks:
        if fact in asked:
            yield Difference("not asked for", fact, _listed(asked))


def _substrings(what: str, wanted: Iterable[str], texts: list[str]) -> Iterator[Difference]:
    for part in wanted:
        if not any(part.casefold() in text.casefold() for text in texts):
            yield Difference(what, f"one with {part!r}", _listed(map(repr, texts)))


def _absent_substrings(unwanted: Iterable[str], texts: list[str]) -> Iterator[Difference]:
    for part in unwanted:
        found = [text for text in texts if part.casefold() in text.casefold()]
        if found:
            yield Difference("caution", f"none with {part!r}", _listed(map(repr, found)))


def _values(what: str, wanted: Mapping[str, Any], found: Mapping[str, Any]) -> Iterator[Difference]:
    for fact, value in wanted.items():
        if not _equal(value, found.get(fact)):
            yield Difference(f"{what} {fact}", shown(value), shown(found.get(fact)))


def _equal(wanted: object, found: object) -> bool:
    """Equality, where numbers that rules work out need to agree to a tenth of a per cent only."""
    if isinstance(wanted, bool) or isinstance(found, bool):
        return wanted is found
    if isinstance(wanted, (int, float)) and isinstance(found, (int, float)):
        return math.isclose(wanted, found, rel_tol=_FLOAT_TOLERANCE, abs_tol=1e-9)
    return wanted == found


def shown(value: object) -> str:
    """``value`` as a knowledge file writes it; a missing one is ``unknown``."""
    if isinstance(value, (list, tuple)):
        return _listed(map(shown, value))
    return describe_value(value if isinstance(value, (bool, int, float, str)) else None)


def _listed(items: Iterable[str]) -> str:
    return ", ".join(items) or "nothing"
