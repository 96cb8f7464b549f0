"""That a recorded danger is said in every phase is proved, and the proof fails where a rule binds it to one."""

from __future__ import annotations

import pytest

from rules.verification.properties import DangersAreSaid
from rules.verification.prover import prove
from tests.rules.small import FRAME, small_ruleset
from tests.shipped_content import RULESET

FRAME_WITH_DANGER = FRAME.replace("asleep, meaning", "asleep, danger: {name: sleep, answers: [true]}, meaning")


@pytest.mark.parametrize(
    ("when", "status"),
    [
        ("{fact: asleep, is: true}", "proved"),
        ("{all: [{fact: asleep, is: true}, {unknown: small}]}", "failed"),
        ("{all: [{fact: asleep, is: true}, {fact: danger, is: false}]}", "failed"),
    ],
)
def test_a_danger_that_is_said_in_one_phase_only_is_found(when, status):
    adding = f"""
- {{id: small.said, title: said, when: {when}, because: b, sources: [s],
   then: {{caution: {{severity: critical, text: "Asleep: watch the airway."}}}}}}
"""
    verdict = prove(DangersAreSaid(small_ruleset(adding=adding, frame=FRAME_WITH_DANGER)))
    assert verdict.status == status
    assert [example.label for example in verdict.counterexamples] == (["asleep:True"] if status == "failed" else [])


def test_every_danger_of_the_shipped_rules_is_said():
    dangers = {name for name, fact in RULESET.vocabulary.items() if fact.danger and fact.danger.answers}
    assert {"airway_threat", "tracheostomy", "facial_injury", "cannot_lie_flat", "neck_line"} <= dangers
    assert {"raised_intracranial_pressure_risk", "dysphagia_risk", "neurological_deficit", "ct_neck"} <= dangers
    assert prove(DangersAreSaid(RULESET)).status == "proved"
