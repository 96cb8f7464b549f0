"""Emergencies go first: proved of the shipped rules, and each proof fails where a rule is missing or a text contradicts another."""

from __future__ import annotations

import pytest

from rules.loading.loader import load_ruleset
from rules.verification.emergency_first import AIRWAY, CLOSED, AirwayFirst, NothingOpened, OneWord
from rules.verification.prover import prove
from tests.shipped_content import RULESET

PROPERTIES = [AirwayFirst, NothingOpened, OneWord]


def without(tmp_path, *rules):
    """The shipped rules as a site would have them that switches some off."""
    overlay = tmp_path / "site.yaml"
    lines = "".join(f"  - {{rule: {rule}, because: a rule of a test}}\n" for rule in rules)
    overlay.write_text(f"site: {{name: a site of a test}}\nswitch_off:\n{lines}")
    return load_ruleset(overlays=[overlay])


@pytest.mark.parametrize("kind", PROPERTIES, ids=lambda kind: kind.id)
def test_the_shipped_rules_have_it(kind):
    prop = kind(RULESET)
    assert len(prop.statement().violated) > 3
    assert prove(prop).status == "proved"


def test_every_record_is_spoken_of():
    labels = set(AirwayFirst(RULESET).statement().violated)
    assert labels == {f"{record}:{part}" for record in AIRWAY for part in ("said", "task")}
    assert {label.split(":")[0] for label in NothingOpened(RULESET).statement().violated} == set(CLOSED)


@pytest.mark.parametrize(
    ("kind", "switched_off", "labels"),
    [
        (AirwayFirst, "dangers.airway.unguarded", {"glasgow_coma_score:said", "responsiveness:task"}),
        (AirwayFirst, "dangers.airway.first_assessment", {"abnormal_airway_breathing_circulation:said"}),
        (NothingOpened, "dangers.emergency.care_waits", {"new_neurological_sign:inspect_skin"}),
        (NothingOpened, "sizing.hold.halo", {"halo_in_place:wash_under_collar"}),
        (OneWord, "dangers.airway.first", {"fit_check.stop.breathing:fit_check.stop.neurology"}),
    ],
)
def test_without_its_rule_a_patient_is_found(tmp_path, kind, switched_off, labels):
    prop = kind(without(tmp_path, switched_off))
    verdict = prove(prop, most=len(prop.statement().violated))
    assert verdict.status == "failed"
    assert labels <= {example.label for example in verdict.counterexamples}
    for example in verdict.counterexamples:
        assert example.label in prop.check(*example.patients)
