"""For a mutant that no case noticed: a patient for whom it does something else, found by the solver, or that there is none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import z3

from rules.evaluation.interpreter import fire
from rules.evaluation.task_merging import MergedTask, merge
from rules.model.conditions import evaluate
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset, TaskCall
from rules.model.timing import Timing
from rules.testing.mutation import Mutant
from rules.verification.smt_encoding import Evaluation, Formula, all_of, any_of, any_patient, facts_of, negated


@dataclass(frozen=True)
class ToldApart:
    """A surviving mutant. ``patient`` is one for whom the rule fires and the mutant does not or the other way round.

    Where only the rule's effects were changed, ``patient`` is one for whom the rule fires; where one request for a task was
    changed or left out, one whose task comes out otherwise. ``same`` says that the solver proved that there is no such
    patient: the mutant is no mutant at all.
    """

    mutant: Mutant
    patient: Mapping[str, FactValue] | None
    same: bool


def tell_apart(ruleset: Ruleset, survivors: Iterable[Mutant], timeout_ms: int = 10_000) -> Iterator[ToldApart]:
    """Each of ``survivors``, mutants of ``ruleset``, with a patient who would show it.

    ``timeout_ms`` bounds each question to the solver, in milliseconds.
    """
    patient = any_patient(ruleset.vocabulary, "a")
    evaluation = Evaluation(ruleset, patient)
    solver = z3.Solver()
    solver.set("timeout", timeout_ms)
    solver.add(patient.plausible)
    for mutant in survivors:
        rule = ruleset.rules[mutant.rule.id]
        fires = evaluation.fires[rule.id]
        if mutant.rule.when == rule.when:
            differs = all_of([fires, _task_may_differ(ruleset, evaluation, rule, mutant.rule)])
        else:
            differs = fires != evaluation.truth(mutant.rule.when)[0]
        answer = solver.check(differs)
        shown: Mapping[str, FactValue] | None = None
        if answer == z3.sat:
            found = facts_of(ruleset.vocabulary, patient, solver.model())
            # The solver is exact and the evaluator rounds: only a patient who shows it there counts.
            if _shows(ruleset, rule, mutant.rule, found):
                shown = _smallest(ruleset, rule, mutant.rule, found)
        yield ToldApart(mutant, shown, same=answer == z3.unsat)


def _task_may_differ(ruleset: Ruleset, evaluation: Evaluation, rule: Rule, mutant: Rule) -> Formula:
    """False for no patient to whom it makes a difference that ``mutant`` asks for a task otherwise than ``rule``.

    A request that only joins makes none where nobody asks for the task, and a bare deadline none where another rule that fires
    asks for the same task no later: when, who, how many and the details stay. Which rules are named as its reasons is left out.
    Of all other effects it is true.
    """
    changed = [call for call in rule.then.tasks if call not in mutant.then.tasks]
    if len(changed) != 1 or _other_effects(rule) != _other_effects(mutant):
        return z3.BoolVal(True)
    (call,) = changed
    others = [
        (other.id, asking)
        for other in ruleset.rules.values()
        for asking in (other.then.tasks if other.id != rule.id else mutant.then.tasks)
        if asking.task == call.task and not asking.joins and (other.id != rule.id or asking in rule.then.tasks)
    ]
    if call.joins:
        return any_of(evaluation.fires[name] for name, _ in others)
    now = [one for one in mutant.then.tasks if one not in rule.then.tasks]
    if not all(_bare_deadline(one) for one in [call, *now]) or not all(_no_earlier(one, call) for one in now):
        return z3.BoolVal(True)
    return negated(any_of(evaluation.fires[name] for name, asking in others if _no_later(asking, call)))


def _other_effects(rule: Rule) -> tuple[object, ...]:
    return tuple(value for name, value in vars(rule.then).items() if name != "tasks")


def _bare_deadline(call: TaskCall) -> bool:
    """Whether ``call`` says nothing but by when, in hours from now."""
    hours = call.timing.within_hours
    return hours is not None and call == TaskCall(task=call.task, timing=Timing(within_hours=hours))


def _no_later(asking: TaskCall, call: TaskCall) -> bool:
    hours, needed = asking.timing.within_hours, call.timing.within_hours
    return hours is not None and needed is not None and hours <= needed


def _no_earlier(now: TaskCall, call: TaskCall) -> bool:
    return now.task == call.task and _no_later(call, now)


def _shows(ruleset: Ruleset, rule: Rule, mutant: Rule, facts: Mapping[str, FactValue]) -> bool:
    firing = fire(ruleset, facts)
    fires = evaluate(rule.when, firing.facts) is True
    if mutant.when != rule.when:
        return fires != (evaluate(mutant.when, firing.facts) is True)
    if _other_effects(rule) != _other_effects(mutant):
        return fires
    changed = [mutant if one.id == rule.id else one for one in firing.fired]
    return fires and _tasks(ruleset, firing.fired) != _tasks(ruleset, changed)


def _tasks(ruleset: Ruleset, fired: Iterable[Rule]) -> Mapping[str, tuple[MergedTask, frozenset[str | None]]]:
    """Each task that ``fired`` ask for, as it is merged, with its details."""
    calls: dict[str, list[TaskCall]] = {}
    for rule in fired:
        for call in rule.then.tasks:
            calls.setdefault(call.task, []).append(call)
    return {
        task: (merge(ruleset.tasks[task], several), frozenset(call.detail for call in several) - {None})
        for task, several in calls.items()
        if not all(call.joins for call in several)
    }


def _smallest(ruleset: Ruleset, rule: Rule, mutant: Rule, facts: Mapping[str, FactValue]) -> Mapping[str, FactValue]:
    for name in sorted(facts):
        fewer = {key: value for key, value in facts.items() if key != name}
        if _shows(ruleset, rule, mutant, fewer):
            facts = fewer
    return facts
