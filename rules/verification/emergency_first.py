"""Proofs about emergencies: the airway is seen to at once, and nothing is opened beside the word to leave it closed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cached_property
from itertools import product

from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Unknown, evaluate, facts_read
from rules.model.ruleset import Rule
from rules.verification.properties import Facts, Label, Property, Statement
from rules.verification.smt_encoding import Evaluation, all_of, any_of, any_patient, negated

CHECKED = "refits_in_this_size"
"""Known at every fit check. There the order of ``rules.deciding.fit_check`` leaves out tasks of corrections."""

UNSECURED = AnyOf((Unknown("airway_secured"), Compare("airway_secured", "is", False)))
DEEP_COMA = 8
"""Glasgow coma score at and below which a patient counts as being in coma (Teasdale and Jennett 1976)."""

AIRWAY: Mapping[Label, Condition] = {
    "airway_threat": Compare("airway_threat", "is", True),
    "airway_tube_lost": Compare("airway_tube_lost", "is", True),
    "abnormal_airway_breathing_circulation": Compare("abnormal_airway_breathing_circulation", "is", True),
    "breathing_or_swallowing_trouble": Compare("breathing_or_swallowing_trouble", "is", True),
    "glasgow_coma_score": AllOf((Compare("glasgow_coma_score", "at_most", DEEP_COMA), UNSECURED)),
    "responsiveness": AllOf((Compare("responsiveness", "is", "unresponsive"), UNSECURED)),
}
"""Records by which an airway is, or may at any time be, closed; stated here apart from the rules that read them."""

AIRWAY_TASK = "airway_check"
WORN = Compare("collar_in_place", "is", True)
NOBODY_CHOSE = (
    AnyOf((Unknown("specialist_order"), Compare("specialist_order", "is", False))),
    AnyOf((Unknown("setting"), Compare("setting", "is_not", "home"))),
)
"""Nothing says that what is worn on a deformity is the device that was chosen for it: no specialist's order, and not at home."""
CLOSED: Mapping[Label, Condition] = {
    "new_neurological_sign": Compare("new_neurological_sign", "is", True),
    "breathing_or_swallowing_trouble": Compare("breathing_or_swallowing_trouble", "is", True),
    "airway_threat": AllOf((WORN, Compare("airway_threat", "is", True))),
    "airway_tube_lost": AllOf((WORN, Compare("airway_tube_lost", "is", True))),
    "suspected_distraction_injury": AllOf((WORN, Compare("suspected_distraction_injury", "is", True))),
    "halo_in_place": AllOf((WORN, Compare("halo_in_place", "is", True))),
    "head_position": AllOf((WORN, Compare("head_position", "is", "fixed_other"), *NOBODY_CHOSE)),
}
"""Records beside which nobody opens a collar for care: an emergency, or a reason to fit none under a collar that is on."""

OPENING_WORDS = re.compile(r"\bopen the front\b|\bcomes off\b|\bfront of the collar off\b", re.IGNORECASE)
CLOSING_WORDS = re.compile(
    r"\bmove nothing\b|\bchange nothing\b|\bloosen nothing\b|\bdo not open it\b|\bdo not bring it back\b", re.IGNORECASE
)


class AirwayFirst(Property):
    """A danger of the airway brings somebody trained at once and a critical caution, whatever else is recorded."""

    id = "airway-first"
    says = (
        "Every record of an airway that is or may be closed brings a critical caution and an airway check at once, in every "
        "phase."
    )

    def statement(self) -> Statement:
        """Labels ``RECORD:said`` and ``RECORD:task``; none where the vocabulary knows no airway."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        violated = {}
        if self._spoken_of:
            evaluation = Evaluation(self.ruleset, patient)
            for label, condition in AIRWAY.items():
                recorded = evaluation.truth(condition)[0]
                for part, rules in self._answering(label).items():
                    answered = any_of(evaluation.fires[rule.id] for rule in rules)
                    violated[f"{label}:{part}"] = all_of([recorded, negated(answered)])
        return Statement((patient,), patient.plausible, violated)

    @property
    def _spoken_of(self) -> bool:
        return AIRWAY_TASK in self.ruleset.tasks and {"airway_secured", *AIRWAY} <= set(self.ruleset.vocabulary)

    def _answering(self, label: Label) -> Mapping[Label, list[Rule]]:
        rules = self.ruleset.rules.values()
        return {
            "said": [
                rule
                for rule in rules
                if label in rule.reads and any(caution.severity == "critical" for caution in rule.then.cautions)
            ],
            "task": [
                rule
                for rule in rules
                if any(
                    call.task == AIRWAY_TASK and not call.joins and call.timing.within_hours == 0
                    for call in rule.then.tasks
                )
            ],
        }

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The records of this patient that are not answered."""
        (facts,) = patients
        if not self._spoken_of:
            return frozenset()
        firing = self.firing(facts)
        fired = {rule.id for rule in firing.fired}
        return frozenset(
            f"{label}:{part}"
            for label, condition in AIRWAY.items()
            if evaluate(condition, firing.facts) is True
            for part, rules in self._answering(label).items()
            if not any(rule.id in fired for rule in rules)
        )


class NothingOpened(Property):
    """Where a collar stays closed no task opens it."""

    id = "nothing-opened"
    says = (
        "No task that opens the collar is asked for beside a new neurological sign, trouble breathing, a threatened airway, or "
        "a reason to fit none under a collar that is on; but for the device that was chosen for a deformity."
    )

    @cached_property
    def _opening(self) -> Mapping[str, list[Rule]]:
        """The rules that ask for each task that opens the collar."""
        asked: dict[str, list[Rule]] = {}
        for rule in self.ruleset.rules.values():
            for call in rule.then.tasks:
                if not call.joins and self.ruleset.tasks[call.task].kind == "opening":
                    asked.setdefault(call.task, []).append(rule)
        return asked

    @property
    def _records(self) -> Mapping[Label, Condition]:
        known = set(self.ruleset.vocabulary)
        return {label: condition for label, condition in CLOSED.items() if facts_read(condition) <= known}

    def statement(self) -> Statement:
        """Labels ``RECORD:TASK``."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        violated = {
            f"{label}:{task}": all_of(
                [evaluation.truth(condition)[0], any_of(evaluation.fires[rule.id] for rule in rules)]
            )
            for (label, condition), (task, rules) in product(self._records.items(), self._opening.items())
        }
        checked = patient.known.get(CHECKED)
        assumed = patient.plausible if checked is None else all_of([patient.plausible, negated(checked)])
        return Statement((patient,), assumed, violated)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The records of this patient beside which a task opens the collar."""
        (facts,) = patients
        if CHECKED in facts:
            return frozenset()
        firing = self.firing(facts)
        fired = {rule.id for rule in firing.fired}
        return frozenset(
            f"{label}:{task}"
            for (label, condition), (task, rules) in product(self._records.items(), self._opening.items())
            if evaluate(condition, firing.facts) is True and any(rule.id in fired for rule in rules)
        )


class OneWord(Property):
    """Nobody is told to open the collar and to leave everything as it is."""

    id = "one-word"
    says = "No critical caution and no stop of a fit check says to open the front beside one that says to move or change nothing."

    @cached_property
    def _pairs(self) -> Mapping[Label, tuple[Rule, Rule]]:
        opening = [rule for rule in self.ruleset.rules.values() if OPENING_WORDS.search(_said(rule))]
        closing = [rule for rule in self.ruleset.rules.values() if CLOSING_WORDS.search(_said(rule))]
        return {f"{one.id}:{other.id}": (one, other) for one, other in product(opening, closing) if one is not other}

    def statement(self) -> Statement:
        """Labels ``RULE:RULE``, the first of which opens."""
        patient = any_patient(self.ruleset.vocabulary, "a")
        evaluation = Evaluation(self.ruleset, patient)
        violated = {
            label: all_of([evaluation.fires[one.id], evaluation.fires[other.id]])
            for label, (one, other) in self._pairs.items()
        }
        return Statement((patient,), patient.plausible, violated)

    def check(self, *patients: Facts) -> frozenset[Label]:
        """The pairs of rules that both fire."""
        (facts,) = patients
        fired = {rule.id for rule in self.firing(facts).fired}
        return frozenset(label for label, pair in self._pairs.items() if {rule.id for rule in pair} <= fired)


def _said(rule: Rule) -> str:
    """What ``rule`` tells somebody to do at once: critical cautions and the corrections that stop."""
    critical = [caution.text for caution in rule.then.cautions if caution.severity == "critical"]
    stops = [correction.correction for correction in rule.then.corrections if correction.action == "stop"]
    return " ".join([*critical, *stops])
