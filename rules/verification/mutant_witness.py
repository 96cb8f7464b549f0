"""For a mutant that no case noticed: a patient for whom it does something else, found by the solver, or that there is none."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import z3

from rules.evaluation.interpreter import fire
from rules.model.conditions import evaluate
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset
from rules.testing.mutation import Mutant
from rules.verification.smt_encoding import Evaluation, any_patient, facts_of


@dataclass(frozen=True)
class ToldApart:
    """A surviving mutant. ``patient`` is one for whom the rule fires and the mutant does not or the other way round.

    Where only the rule's effects were changed, ``patient`` is one for whom the rule fires. ``same`` says that the solver
    proved that there is no such patient: the mutant is no mutant at all.
    """

    mutant: Mutant
    patient: Mapping[str, FactValue] | None
    same: bool


def tell_apart(ruleset: Ruleset, survivors: Iterable[Mutant], timeout_ms: int = 10_000) -> Iterator[ToldApart]:
    """Each of ``survivors`` with a patient who would show it. ``timeout_ms`` bounds each question to the solver."""
    patient = any_patient(ruleset.vocabulary, "a")
    evaluation = Evaluation(ruleset, patient)
    solver = z3.Solver()
    solver.set("timeout", timeout_ms)
    solver.add(patient.plausible)
    for mutant in survivors:
        rule = ruleset.rules[mutant.rule.id]
        fires = evaluation.fires[rule.id]
        differs = fires if mutant.rule.when == rule.when else fires != evaluation.truth(mutant.rule.when)[0]
        answer = solver.check(differs)
        shown: Mapping[str, FactValue] | None = None
        if answer == z3.sat:
            found = facts_of(ruleset.vocabulary, patient, solver.model())
            # The solver is exact and the evaluator rounds: only a patient who shows it there counts.
            if _shows(ruleset, rule, mutant.rule, found):
                shown = _smallest(ruleset, rule, mutant.rule, found)
        yield ToldApart(mutant, shown, same=answer == z3.unsat)


def _shows(ruleset: Ruleset, rule: Rule, mutant: Rule, facts: Mapping[str, FactValue]) -> bool:
    known = fire(ruleset, facts).facts
    fires = evaluate(rule.when, known) is True
    return fires if mutant.when == rule.when else fires != (evaluate(mutant.when, known) is True)


def _smallest(ruleset: Ruleset, rule: Rule, mutant: Rule, facts: Mapping[str, FactValue]) -> Mapping[str, FactValue]:
    for name in sorted(facts):
        fewer = {key: value for key, value in facts.items() if key != name}
        if _shows(ruleset, rule, mutant, fewer):
            facts = fewer
    return facts
