"""Proof that a fit check never goes on where fitting has to stop, as beside an airway threat, a new sign or a halo."""

from __future__ import annotations

from rules.model.conditions import Compare, evaluate
from rules.verification.properties import Facts, Label, Property, Statement
from rules.verification.smt_encoding import Evaluation, all_of, any_of, any_patient, negated

CHECKED = "refits_in_this_size"
"""Known at every fit check and nowhere else."""

STOPPING = (
    Compare("airway_threat", "is", True),
    Compare("airway_tube_lost", "is", True),
    Compare("abnormal_airway_breathing_circulation", "is", True),
    Compare("breathing_or_swallowing_trouble", "is", True),
    Compare("new_neurological_sign", "is", True),
    Compare("suspected_distraction_injury", "is", True),
    Compare("halo_in_place", "is", True),
)
"""Records beside which no collar is seated again or exchanged, stated here apart from the rules that read them."""


class StopBeforeCorrection(Property):
    """A fit check of a patient with such a record says stop, whatever was found.

    The rules bring the stop; that nothing goes before one is the order of ``rules.deciding.fit_check.next_move``.
    """

    id = "stop-before-correction"
    says = (
        "Fit advice never says to seat a collar again or to change its size under a danger of the airway, a new neurological "
        "sign, a suspected distraction injury or a halo: a rule says stop, whatever was found."
    )

    def statement(self) -> Statement:
        """A label for each record beside which no rule says stop; none where the vocabulary knows no fit check."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        if not {CHECKED, *(reason.fact for reason in STOPPING)} <= set(self.ruleset.vocabulary):
            return Statement((patient,), patient.plausible, {})
        evaluation = Evaluation(self.ruleset, patient)
        goes_on = negated(any_of(evaluation.fires[rule] for rule in self._stopping))
        violated = {reason.fact: all_of([evaluation.truth(reason)[0], goes_on]) for reason in STOPPING}
        return Statement((patient,), all_of([patient.plausible, patient.known[CHECKED]]), violated)

    @property
    def _stopping(self) -> frozenset[str]:
        return frozenset(
            rule.id
            for rule in self.ruleset.rules.values()
            if any(correction.action == "stop" for correction in rule.then.corrections)
        )

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The records of this patient beside which no rule says stop."""
        (facts,) = patients
        firing = self.firing(facts)
        if CHECKED not in facts or self._stopping & {rule.id for rule in firing.fired}:
            return frozenset()
        return frozenset(reason.fact for reason in STOPPING if evaluate(reason, firing.facts) is True)
