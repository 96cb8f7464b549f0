"""docs/clinicians.md tells the numbers that the rules use."""

import re
from pathlib import Path

import pytest

from rules.evaluation.interpreter import fire
from tests.shipped_content import RULESET

TEXT = (Path(__file__).parents[2] / "docs/clinicians.md").read_text(encoding="utf-8")
ROWS = re.findall(r"^\| .* \| ([\d.]+) \| `(\w+)` \|$", TEXT, flags=re.MULTILINE)


@pytest.mark.parametrize(("value", "parameter"), ROWS)
def test_the_table_shows_the_values_in_use(value: str, parameter: str) -> None:
    assert RULESET.number(parameter) == float(value)


def test_the_table_is_read() -> None:
    assert len(ROWS) > 20


@pytest.mark.parametrize(
    ("score", "risk"), [(19, "standard"), (18, "raised"), (13, "raised"), (12, "high"), (6, "high")]
)
def test_the_braden_scores_of_raised_and_high_risk_are_those_on_the_page(score: int, risk: str) -> None:
    assert "**Raised risk**: Braden score 18 to 13" in TEXT
    assert "**High risk**: Braden score 12 or less" in TEXT
    facts = {"collar_in_place": True, "age_years": 40, "braden_score": score}
    assert fire(RULESET, facts).facts["skin_risk"] == risk
