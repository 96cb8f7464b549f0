"""docs/hazards.md names evidence that exists, and that fails where the control is taken out.

For a worked case that is shown here: its rules fire as before and do nothing. For tests it is shown by ``make faults``.
"""

import re
from dataclasses import replace
from pathlib import Path

import pytest

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from rules.model.ruleset import Effects, Rule
from rules.testing.cases import load_cases, run_case
from tests.lints.named_tests import functions
from tests.shipped_content import RULESET

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "docs/hazards.md").read_text(encoding="utf-8")
ROWS = [line for line in TEXT.splitlines() if re.match(r"\| H\d+ ", line)]
CASES = {case.name: case for case in load_cases(RULESET)}
NAMED = sorted(set(re.findall(r"`case: ([^`]+)`", TEXT)))
SEVERITIES = {"catastrophic", "major", "considerable", "minor"}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.split("|")[1].strip())
def test_a_hazard_has_a_severity_a_control_and_evidence_that_exists(row: str) -> None:
    _, _, hazard, cause, effect, severity, control, evidence, _ = (cell.strip() for cell in row.split("|"))
    assert all((hazard, cause, effect, control))
    assert severity in SEVERITIES
    named = re.findall(r"`([^`]+)`", evidence)
    assert named
    for name in named:
        if name.startswith("case: "):
            assert name.removeprefix("case: ") in CASES
        else:
            file, test = name.split("::")
            assert test in functions(ROOT / file), name


def test_hazards_are_numbered_without_a_gap() -> None:
    assert [row.split("|")[1].strip() for row in ROWS] == [f"H{number}" for number in range(1, len(ROWS) + 1)]


@pytest.mark.parametrize("name", NAMED)
def test_a_case_fails_where_its_rules_fire_and_do_nothing(name: str) -> None:
    """What rules conclude is kept, so that the same rules fire; offers, warnings, tasks and all else are taken out."""
    case = CASES[name]

    def idle(rule: Rule) -> Rule:
        return replace(rule, then=Effects(conclusions=rule.then.conclusions)) if rule.id in case.fires else rule

    assert case.fires
    without = replace(RULESET, strata=tuple(tuple(map(idle, stratum)) for stratum in RULESET.strata))
    assert not run_case(Decider(RULESET, Plain(RULESET)), case).differences
    found = [difference.what for difference in run_case(Decider(without, Plain(without)), case).differences]
    assert [what for what in found if not what.startswith("rule ")]
