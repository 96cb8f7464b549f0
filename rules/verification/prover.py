"""Proofs over the whole input space: what holds for every plausible patient, and a concrete patient where it does not.

The solver looks for a patient who violates a property. If there is none, the property is proved (over exact arithmetic).
A patient who is found is replayed with the plain evaluator, made as small and round as possible, and shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import yaml
import z3

from rules.evaluation.hit_policy import choose, size_class
from rules.evaluation.interpreter import fire
from rules.model.conditions import AllOf, Condition, describe
from rules.model.facts import FactDefinition
from rules.model.ruleset import Rule, Ruleset
from rules.verification.emergency_first import AirwayFirst, NothingOpened, OneWord
from rules.verification.invariants import Claim
from rules.verification.need_before_size import NeedBeforeSize
from rules.verification.properties import (
    Complete,
    DangersAreSaid,
    Facts,
    Label,
    NeverSized,
    NeverSlower,
    NoContradiction,
    NoSize,
    NoSizeAgainstAWarning,
    Property,
    Rising,
    SettledStays,
    StaysWithheld,
    WithinTheLine,
)
from rules.verification.smt_encoding import Evaluation, any_patient, facts_of
from rules.verification.staffing import AsManyPeopleAsNamed
from rules.verification.stop_first import StopBeforeCorrection

Status = Literal["proved", "failed", "undecided"]

_TIMEOUT_MS = 60_000
_SMALL_STEP = 0.01
"""In the unit of the fact; much more than floating point errs by."""
_MOST_COUNTEREXAMPLES = 20


@dataclass(frozen=True)
class Counterexample:
    """Patients who violate a property (two, where it compares two), what is violated, and what is said of each of them."""

    label: Label
    patients: tuple[Facts, ...]
    outcomes: tuple[str, ...]


@dataclass(frozen=True)
class Unreachable:
    """A rule that fires for no patient, and the comparisons without which it could."""

    rule: str
    place: str
    without: tuple[str, ...]


@dataclass(frozen=True)
class ProofResult:
    """What became of one property. ``open`` lists labels that the solver could not decide in time, or only by rounding.

    Whether the property is one of ``safety`` is said too.
    """

    id: str
    says: str
    status: Status
    counterexamples: tuple[Counterexample, ...] = ()
    unreachable: tuple[Unreachable, ...] = ()
    open: tuple[Label, ...] = ()
    safety: bool = False


def properties(ruleset: Ruleset, claims: Iterable[Claim] = ()) -> Iterator[Property]:
    """The properties of ``ruleset`` that every one has, and those that ``claims`` add."""
    yield Complete(ruleset)
    yield NoContradiction(ruleset)
    yield NoSizeAgainstAWarning(ruleset)
    yield DangersAreSaid(ruleset)
    yield WithinTheLine(ruleset)
    yield SettledStays(ruleset)
    yield AsManyPeopleAsNamed(ruleset)
    yield NeedBeforeSize(ruleset)
    yield StopBeforeCorrection(ruleset)
    yield AirwayFirst(ruleset)
    yield NothingOpened(ruleset)
    yield OneWord(ruleset)
    for claim in claims:
        if claim.rising is not None:
            yield Rising(ruleset, claim, claim.rising)
        if claim.no_size:
            yield NoSize(ruleset, claim)
        if claim.never_sized is not None:
            yield NeverSized(ruleset, claim, claim.never_sized)
        if claim.stays_withheld is not None:
            yield StaysWithheld(ruleset, claim, claim.stays_withheld)
        if claim.never_slower is not None:
            for risk in claim.never_slower.risks:
                yield NeverSlower(ruleset, claim, claim.never_slower.task, risk)


def verify(ruleset: Ruleset, claims: Iterable[Claim] = (), timeout_ms: int = _TIMEOUT_MS) -> Iterator[ProofResult]:
    """A verdict on each property of ``ruleset``, its ``claims`` included, and on whether every rule can fire.

    ``timeout_ms`` bounds each question to the solver, in milliseconds.
    """
    for prop in properties(ruleset, claims):
        yield prove(prop, timeout_ms)
    yield every_rule_can_fire(ruleset, timeout_ms)


# --- properties ------------------------------------------------------------------------------------------------------


def prove(prop: Property, timeout_ms: int = _TIMEOUT_MS, most: int = _MOST_COUNTEREXAMPLES) -> ProofResult:
    """The verdict on ``prop``, with a counterexample for each violated label.

    Once the number ``most`` of counterexamples is reached no more are looked for. A question that the solver cannot
    answer within ``timeout_ms`` milliseconds is reported as undecided.
    """
    statement = prop.statement()
    solver = _solver(timeout_ms)
    solver.add(statement.assumed)
    remaining = {label: formula for label, formula in statement.violated.items() if not z3.is_false(formula)}
    found: list[Counterexample] = []
    undecided: list[Label] = []
    while remaining and len(found) < most:
        answer = solver.check(z3.Or(list(remaining.values())))
        if answer == z3.unsat:
            break
        if answer == z3.unknown:
            undecided += remaining
            break
        model = solver.model()
        hit = [label for label, formula in remaining.items() if z3.is_true(model.eval(formula, model_completion=True))]
        vocabulary = prop.ruleset.vocabulary
        patients = tuple(facts_of(vocabulary, patient, model) for patient in statement.patients)
        real = prop.check(*patients)
        for label in hit:
            del remaining[label]
            if label in real:
                found.append(_counterexample(prop, label, patients))
            else:
                undecided.append(label)
        if not hit:
            undecided += remaining
            break
    status: Status = "failed" if found else "undecided" if undecided else "proved"
    return ProofResult(prop.id, prop.says, status, tuple(found), open=tuple(undecided), safety=prop.safety)


def _solver(timeout_ms: int) -> Any:
    solver = z3.Solver()
    solver.set("timeout", timeout_ms)
    return solver


def _counterexample(prop: Property, label: Label, patients: tuple[Facts, ...]) -> Counterexample:
    smallest = shrink(prop, label, patients)
    return Counterexample(label, smallest, tuple(outcome(prop.whole, facts) for facts in smallest))


def outcome(ruleset: Ruleset, facts: Facts) -> str:
    """The size that ``facts`` lead to by ``ruleset``, or why there is none, in a few words."""
    sizing = choose(ruleset, fire(ruleset, facts).fired)
    if sizing.outcome is not None:
        return size_class(ruleset, dict(zip(sizing.axes, sizing.outcome, strict=True))).code
    reasons = sorted({hold.kind.replace("_", " ") for _, hold in sizing.holds})
    missing = [name for name, axis in sizing.axes.items() if not axis.candidates]
    return "no size (" + ", ".join(reasons or [f"nothing offered for {name}" for name in missing]) + ")"


# --- making a counterexample readable --------------------------------------------------------------------------------


def shrink(prop: Property, label: Label, patients: tuple[Facts, ...]) -> tuple[Facts, ...]:
    """``patients`` who still violate ``label`` of ``prop``, with as few facts and as round numbers as a plain search finds."""
    for name in sorted({name for facts in patients for name in facts}):
        without = tuple({key: value for key, value in facts.items() if key != name} for facts in patients)
        if label in prop.check(*without):
            patients = without
    for name in sorted({name for facts in patients for name in facts}):
        patients = _rounded(prop, label, patients, name)
    return patients


def _rounded(prop: Property, label: Label, patients: tuple[Facts, ...], name: str) -> tuple[Facts, ...]:
    definition = prop.ruleset.vocabulary[name]
    if definition.type != "number":
        return patients
    for digits in range(4):
        rounded = tuple(_with_rounded(facts, definition, digits) for facts in patients)
        if label in prop.check(*rounded):
            return rounded
    return patients


def _with_rounded(facts: Facts, definition: FactDefinition, digits: int) -> Facts:
    if definition.name not in facts:
        return facts
    value = round(float(facts[definition.name]), digits)
    return facts if definition.problem(value) else {**facts, definition.name: value}


def as_case(ruleset: Ruleset, verdict: ProofResult, example: Counterexample) -> str:
    """``example`` of ``verdict`` as YAML for a case file: the facts, and what fires today, for a person to put right.

    What fires is found with ``ruleset``.
    """
    return _written(_cases(ruleset, verdict, example))


def as_cases(ruleset: Ruleset, verdicts: Iterable[ProofResult]) -> str:
    """Every counterexample of ``verdicts`` on ``ruleset`` as the YAML of one case file; empty where there is none."""
    examples = ((verdict, example) for verdict in verdicts for example in verdict.counterexamples)
    cases = [case for verdict, example in examples for case in _cases(ruleset, verdict, example)]
    return _written(cases) if cases else ""


def _cases(ruleset: Ruleset, verdict: ProofResult, example: Counterexample) -> list[dict[str, object]]:
    cases: list[dict[str, object]] = []
    for number, facts in enumerate(example.patients, start=1):
        suffix = f".{number}" if len(example.patients) > 1 else ""
        label = "".join(c if c.isalnum() else "-" for c in f"{verdict.id}-{example.label}".lower())
        cases.append(
            {
                "name": f"proof-{label}{suffix}",
                "shows": f"Found by the proof of {verdict.id} ({example.label}); state here what must be.",
                "source": "found by proof",
                "facts": dict(facts),
                "fires": [rule.id for rule in fire(ruleset, facts).fired],
            }
        )
    return cases


def _written(cases: list[dict[str, object]]) -> str:
    return yaml.safe_dump({"cases": cases}, sort_keys=False, allow_unicode=True, width=120)


# --- every rule can fire ---------------------------------------------------------------------------------------------


def every_rule_can_fire(ruleset: Ruleset, timeout_ms: int = _TIMEOUT_MS) -> ProofResult:
    """Whether each rule of ``ruleset`` fires for some patient; one who is found is replayed with the plain evaluator.

    A rule for which the solver needs more than ``timeout_ms`` milliseconds is reported as undecided.
    """
    patient = any_patient(ruleset.vocabulary, "a")
    evaluation = Evaluation(ruleset, patient)
    solver = _solver(timeout_ms)
    solver.add(patient.plausible)
    waiting = dict(ruleset.rules)
    unreachable: list[Unreachable] = []
    undecided: list[Label] = []
    while waiting:
        name, rule = next(iter(waiting.items()))
        del waiting[name]
        answer = solver.check(evaluation.fires[name])
        if answer == z3.sat:
            fired = _fired(ruleset, name, facts_of(ruleset.vocabulary, patient, solver.model()))
            if name not in fired:
                undecided.append(name)
            waiting = {other: rule for other, rule in waiting.items() if other not in fired}
        elif answer == z3.unknown:
            undecided.append(name)
        else:
            unreachable.append(Unreachable(name, str(rule.place), _culprits(solver, evaluation, rule)))
    status: Status = "failed" if unreachable else "undecided" if undecided else "proved"
    says = "Every rule fires for some plausible patient."
    return ProofResult("every-rule-can-fire", says, status, unreachable=tuple(unreachable), open=tuple(undecided))


def _fired(ruleset: Ruleset, name: str, facts: Facts) -> set[str]:
    """The ids of what fires for ``facts``, or for a close neighbour for whom rule ``name`` fires.

    The solver likes patients on the very edge of a comparison, and there floating point may fall on the other side.
    """
    fired: set[str] = set()
    for near in (facts, *_neighbours(ruleset, facts)):
        fired = {found.id for found in fire(ruleset, near).fired}
        if name in fired:
            return fired
    return fired


def _neighbours(ruleset: Ruleset, facts: Facts) -> Iterator[Facts]:
    """``facts`` with one number a little more or a little less, as far as that is plausible."""
    for name, value in facts.items():
        if ruleset.vocabulary[name].type == "number":
            for step in (_SMALL_STEP, -_SMALL_STEP):
                near = float(value) + step
                if not ruleset.vocabulary[name].problem(near):
                    yield {**facts, name: near}


def _culprits(solver: Any, evaluation: Evaluation, rule: Rule) -> tuple[str, ...]:
    """The parts of the condition, each of which left out would let the rule fire."""
    parts: Sequence[Condition] = rule.when.children if isinstance(rule.when, AllOf) else (rule.when,)
    found = []
    for index, part in enumerate(parts):
        rest = AllOf((*parts[:index], *parts[index + 1 :]))
        if solver.check(evaluation.truth(rest)[0]) == z3.sat:
            found.append(describe(part))
    return tuple(found)
