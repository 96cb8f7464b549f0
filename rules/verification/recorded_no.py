"""Critical cautions that wait for a recorded "no", so that a danger is kept quiet where nobody looked.

The question is put to the whole ruleset and not to the words of a rule: is there a patient for whom a rule with a critical
caution fires while a yes/no fact is recorded as no, and falls silent once that record is missing? So a "no" is found in
whatever form it is asked for (``is: false``, ``is_not: true``, ``none``), and through the conclusions of other rules. A "no"
that is itself the danger, as a swallow screen that was not passed, is what such a caution is for.
"""

from __future__ import annotations

from collections.abc import Iterator

import z3

from rules.model.ruleset import Rule, Ruleset
from rules.verification.smt_encoding import FALSE, TRUE, Evaluation, Patient, all_of, any_patient, negated

_TIMEOUT_MS = 20_000


def hanging_on_a_recorded_no(ruleset: Ruleset) -> Iterator[tuple[Rule, str]]:
    """Each rule of ``ruleset`` with a critical caution that some "no" switches on, and the name of the fact.

    Raises RuntimeError where z3 gives up.
    """
    for rule in ruleset.rules.values():
        if any(caution.severity == "critical" for caution in rule.then.cautions):
            yield from ((rule, fact) for fact in _switching_on(ruleset, rule))


def _switching_on(ruleset: Ruleset, rule: Rule) -> Iterator[str]:
    part = ruleset.part(lambda other: other.id == rule.id)
    patient = any_patient(ruleset.vocabulary, "a")
    for fact in sorted(part.facts_read):
        definition = ruleset.vocabulary[fact]
        danger = definition.danger is not None and False in definition.danger.answers
        if definition.type == "boolean" and definition.given != "concluded" and not danger:
            recorded = patient.with_fact(fact, TRUE, z3.BoolVal(False), TRUE)
            missing = patient.with_fact(fact, FALSE, z3.BoolVal(False), TRUE)
            if _fires_only_for_the_first(part, rule, fact, recorded, missing):
                yield fact


def _fires_only_for_the_first(part: Ruleset, rule: Rule, fact: str, first: Patient, second: Patient) -> bool:
    """A second patient for whom other rules conclude ``fact`` does not count: there something safe is on record."""
    solver = z3.Solver()
    solver.set("timeout", _TIMEOUT_MS)
    before, after = (Evaluation(part, patient) for patient in (first, second))
    silenced = [before.fires[rule.id], negated(after.fires[rule.id]), negated(after.known[fact])]
    solver.add(all_of([first.plausible, *silenced]))
    result = solver.check()
    if result == z3.unknown:
        raise RuntimeError(f"z3 could not tell within {_TIMEOUT_MS} ms whether {rule.id} waits for a recorded no")
    return bool(result == z3.sat)
