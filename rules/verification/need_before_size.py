"""Proof that need is said before size: where need is refuted or open a caution leads, and what leads asks for a decision first."""

from __future__ import annotations

from rules.model.conditions import Compare, evaluate
from rules.model.ruleset import Rule
from rules.verification.properties import Facts, Label, Property, Statement
from rules.verification.smt_encoding import Evaluation, all_of, any_of, any_patient, negated

DOUBTED = Compare("collar_need", "one_of", ("refuted", "open"))
SUPPORT = (
    Compare("specialist_order", "is", True),
    Compare("surgery_planned", "is", True),
    Compare("surgery_done", "is", True),
    Compare("known_neck_injury", "is", True),
    Compare("ct_neck", "is", "positive"),
    Compare("neurological_deficit", "is", True),
    Compare("paralysis", "is", True),
    Compare("spine_precautions", "is", True),
    Compare("other_support_indication", "is", True),
)
"""Records beside which no need is called refuted or open, stated here apart from the rules that read them."""


class NeedBeforeSize(Property):
    """Where need is refuted or open a caution leads, which asks for a decision; never beside a recorded reason for support."""

    id = "need-before-size"
    says = (
        "Where need is refuted or open a caution leads and somebody is asked to decide, before any collar is offered; and "
        "need is never so beside a recorded order, operation, injury, deficit or other reason for support."
    )

    def statement(self) -> Statement:
        """Labels: ``unsaid``, ``unasked:RULE``, ``supported:FACT``; none where the vocabulary knows no need."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        if DOUBTED.fact not in self.ruleset.vocabulary:
            return Statement((patient,), patient.plausible, {})
        evaluation = Evaluation(self.ruleset, patient)
        doubted = evaluation.truth(DOUBTED)[0]
        violated = {
            "unsaid": all_of([doubted, negated(any_of(evaluation.fires[rule.id] for rule in self._leading))]),
            **{f"unasked:{rule.id}": evaluation.fires[rule.id] for rule in self._leading if not self._asks(rule)},
            **{f"supported:{reason.fact}": all_of([doubted, evaluation.truth(reason)[0]]) for reason in SUPPORT},
        }
        return Statement((patient,), patient.plausible, violated)

    @property
    def _leading(self) -> list[Rule]:
        return [rule for rule in self.ruleset.rules.values() if any(caution.leads for caution in rule.then.cautions)]

    def _asks(self, rule: Rule) -> bool:
        """Whether ``rule`` by itself asks for a task that is an order of its own, which a card can offer first."""
        return any(not call.joins and self.ruleset.tasks[call.task].request == "order" for call in rule.then.tasks)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The labels that this patient violates."""
        (facts,) = patients
        firing = self.firing(facts)
        fired = {rule.id for rule in firing.fired}
        found = {f"unasked:{rule.id}" for rule in self._leading if rule.id in fired and not self._asks(rule)}
        if evaluate(DOUBTED, firing.facts) is True:
            found |= {f"supported:{reason.fact}" for reason in SUPPORT if evaluate(reason, firing.facts) is True}
            if not any(rule.id in fired for rule in self._leading):
                found.add("unsaid")
        return frozenset(found)
