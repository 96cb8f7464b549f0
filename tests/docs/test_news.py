"""News for the next release: files that are named as docs/contributing.md says, and that towncrier can put together."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NEWS = ROOT / "docs" / "changes"
NAMES = re.compile(r"\+[a-z0-9]+(-[a-z0-9]+)*\.(added|changed|fixed|removed|security)\.md")


@pytest.fixture
def draft() -> str:
    """The section of the next release, as it would stand in the changelog."""
    command = [sys.executable, "-m", "towncrier", "build", "--draft", "--version", "9.9.9", "--dir", str(ROOT)]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def test_files_of_news_are_named_as_described() -> None:
    assert NAMES.fullmatch("+a-line-of-news.added.md") and not NAMES.fullmatch("news.md")
    assert [file.name for file in NEWS.iterdir() if file.name != ".gitkeep" and not NAMES.fullmatch(file.name)] == []


def test_all_news_goes_into_the_next_release(draft: str) -> None:
    lines = [line for file in NEWS.glob("*.md") for line in file.read_text(encoding="utf-8").splitlines() if line]
    said = " ".join(draft.split())
    assert "## [9.9.9]" in draft
    assert [line for line in lines if " ".join(line.split()) not in said] == []


def test_the_changelog_has_the_place_for_it() -> None:
    assert (ROOT / "docs" / "CHANGELOG.md").read_text(encoding="utf-8").count("<!-- releases -->\n") == 1
