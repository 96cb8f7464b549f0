"""What CI ran before the tests: a part that failed shows here, so that pytest's summary and exit code tell all."""

import os
import re
from pathlib import Path

import pytest

CI = Path(__file__).resolve().parents[2] / ".ci"


def test_every_part_that_ran_before_the_tests_passed() -> None:
    if "CI_PARTS" not in os.environ:
        pytest.skip("only .ci/run has parts before the tests")
    parts = [line.split() for line in Path(os.environ["CI_PARTS"]).read_text().splitlines()]
    assert {name for name, _, _ in parts} >= {path.name for path in (CI / "parts").iterdir()}
    assert [name for name, code, _ in parts if code != "0"] == []


@pytest.mark.tree
def test_every_part_is_called() -> None:
    lanes = re.findall(r"^lane ([a-z ]+?)(?: &)?$", (CI / "run").read_text(), re.M)
    assert len(lanes) == 2
    assert sorted(" ".join(lanes).split()) == sorted(path.name for path in (CI / "parts").iterdir())


@pytest.mark.tree
def test_every_script_of_ci_can_be_run() -> None:
    scripts = [path for path in CI.rglob("*") if path.is_file() and path.name != "preflight"]
    assert len(scripts) >= 5
    assert [path.name for path in scripts if not os.access(path, os.X_OK)] == []
