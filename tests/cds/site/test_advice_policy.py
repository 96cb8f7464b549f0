"""How advice is given stands in the rule set, and a site may change it within bounds."""

from pathlib import Path

import pytest

from cds.settings import Settings
from cds.site.advice_policy import AdvicePolicy
from cds.site.content import Content
from rules.errors import KnowledgeError
from rules.loading.loader import load_ruleset
from tests.rules.small import small_ruleset
from tests.shipped_content import RULESET

ROOT = Path(__file__).parents[3]


def overlay(tmp_path: Path, parameter: str, value: str) -> Path:
    path = tmp_path / "overlay.yaml"
    path.write_text(
        f"site: {{name: Hollowmere}}\nparameters:\n  {parameter}: {{value: {value}, because: agreed on the ward}}\n"
    )
    return path


def test_a_site_makes_a_contradiction_graver(tmp_path: Path) -> None:
    changed = overlay(tmp_path, "order_people_missing_severity", "critical")
    content = Content.load(Settings(overlays=(changed,)))
    assert AdvicePolicy.of(RULESET).severity["people_missing"] == "warning"
    assert content.policy.severity["people_missing"] == "critical"


@pytest.mark.parametrize(
    ("parameter", "value", "said"),
    [
        ("order_adult_for_a_child_severity", "info", "'info' is not allowed; expected one of critical"),
        ("cards_critical_at_most", "0", "outside the allowed range 1 to 3"),
    ],
)
def test_what_protects_patients_cannot_be_turned_down(tmp_path: Path, parameter: str, value: str, said: str) -> None:
    with pytest.raises(KnowledgeError, match=said):
        load_ruleset(overlays=[overlay(tmp_path, parameter, value)])


def test_a_rule_set_without_them_is_refused_with_every_name() -> None:
    with pytest.raises(KnowledgeError, match="cards_critical_at_most") as refused:
        AdvicePolicy.of(small_ruleset())
    assert "order_no_skin_care_severity" in str(refused.value)


@pytest.mark.tree
def test_every_parameter_for_the_service_is_gone_by() -> None:
    """A parameter that names a part of the service is read there: by its name, or by the pattern that makes it."""
    for_the_service = [name for name, parameter in RULESET.parameters.items() if parameter.read_by]
    policy = AdvicePolicy.of(RULESET)
    read = {
        *(f"cards_{severity}_at_most" for severity in policy.cards_at_most),
        *(f"order_{contradiction}_severity" for contradiction in policy.severity),
    }
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "cds").rglob("*.py"))
    assert len(for_the_service) > 10
    assert [name for name in for_the_service if name not in read and f'"{name}"' not in source] == []


def test_whoever_confirms_is_named_for_every_topic() -> None:
    assert set(RULESET.confirmed_by) == {rule.topic for rule in RULESET.rules.values()}
