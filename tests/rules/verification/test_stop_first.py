"""That a fit check never goes on beside an airway threat, distraction or a halo is proved, and the proof can fail."""

from __future__ import annotations

import pytest

from rules.loading.loader import load_ruleset
from rules.verification.prover import prove
from rules.verification.stop_first import STOPPING, StopBeforeCorrection
from tests.shipped_content import RULESET


def test_the_shipped_rules_stop():
    assert set(STOPPING) <= set(RULESET.vocabulary)
    assert prove(StopBeforeCorrection(RULESET)).status == "proved"


@pytest.mark.parametrize(
    ("without", "labels"),
    [
        ("fit_check.stop.specialist", {"suspected_distraction_injury", "halo_in_place"}),
        ("fit_check.stop.airway", {"airway_threat", "airway_tube_lost"}),
    ],
)
def test_without_its_rule_a_patient_is_found_who_is_corrected(tmp_path, without, labels):
    overlay = tmp_path / "site.yaml"
    overlay.write_text(
        f"site: {{name: a site of a test}}\nswitch_off:\n  - {{rule: {without}, because: a rule of a test}}\n"
    )
    prop = StopBeforeCorrection(load_ruleset(overlays=[overlay]))
    verdict = prove(prop, most=len(prop.statement().violated))
    assert verdict.status == "failed"
    assert labels <= {example.label for example in verdict.counterexamples}
    for example in verdict.counterexamples:
        assert example.label in prop.check(*example.patients)
