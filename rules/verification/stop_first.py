"""Proof that a fit check never goes on where fitting has to stop, as beside an airway threat, a new sign or a halo."""

from __future__ import annotations

from collections.abc import Mapping

from rules.model.conditions import Compare, Condition, evaluate
from rules.verification.emergency_first import AIRWAY, CHECKED
from rules.verification.properties import Facts, Label, Property, Statement
from rules.verification.smt_encoding import Evaluation, all_of, any_of, any_patient, negated

STOPPING: Mapping[Label, Condition] = {
    **AIRWAY,
    "new_neurological_sign": Compare("new_neurological_sign", "is", True),
    "suspected_distraction_injury": Compare("suspected_distraction_injury", "is", True),
    "halo_in_place": Compare("halo_in_place", "is", True),
}
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
        if not {CHECKED, "airway_secured", *STOPPING} <= set(self.ruleset.vocabulary):
            return Statement((patient,), patient.plausible, {})
        evaluation = Evaluation(self.ruleset, patient)
        goes_on = negated(any_of(evaluation.fires[rule] for rule in self._stopping))
        violated = {label: all_of([evaluation.truth(record)[0], goes_on]) for label, record in STOPPING.items()}
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
        return frozenset(label for label, record in STOPPING.items() if evaluate(record, firing.facts) is True)
