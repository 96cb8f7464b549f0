"""Verdicts of the gate: used for exactly the content and the code that they were reached for."""

from pathlib import Path
from shutil import copytree

import pytest

from cds.settings import Settings
from cds.site import verdicts
from rules.loading.loader import KNOWLEDGE


def test_the_shipped_verdict_is_of_this_content_and_this_code(tmp_path: Path) -> None:
    """Otherwise every first start runs the gate for a minute: ``python -m tests.shipped_verdict`` renews it."""
    found = verdicts.find(Settings(verdicts=tmp_path))
    assert found is not None, "the shipped verdict is out of date: python -m tests.shipped_verdict"
    assert found.cases > 1000


@pytest.mark.parametrize("changed", ["sizing.yaml", "cases/sizing.yaml", "surveys/neck_circumference.json"])
def test_other_content_asks_for_another_verdict(tmp_path: Path, changed: str) -> None:
    folder = copytree(KNOWLEDGE, tmp_path / "knowledge")
    settings = Settings(knowledge=folder)
    before = verdicts.key(settings, proved=True)
    assert before == verdicts.key(Settings(), proved=True)
    with (folder / changed).open("a") as file:
        file.write("\n")
    assert verdicts.key(settings, proved=True) != before
