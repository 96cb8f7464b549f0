"""docs/hazards.md names evidence that exists: each test and each worked case in it can be run."""

import ast
import re
from pathlib import Path

import pytest

from rules.loading.loader import load_ruleset
from rules.testing.cases import load_cases

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "docs/hazards.md").read_text(encoding="utf-8")
ROWS = [line for line in TEXT.splitlines() if re.match(r"\| H\d+ ", line)]
CASES = {case.name for case in load_cases(load_ruleset())}
SEVERITIES = {"catastrophic", "major", "considerable", "minor"}


def functions(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))}


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
