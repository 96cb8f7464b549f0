"""A folder of content for tests that reload it: the shipped one, soon checked, and its next versions."""

import re
import shutil
from pathlib import Path

from rules.loading.loader import KNOWLEDGE


def soon_checked(folder: Path) -> Path:
    """A copy of the shipped content in ``folder`` with its shortest file of cases: that all hold is tested elsewhere."""
    copied = Path(shutil.copytree(KNOWLEDGE, folder / "knowledge"))
    _, *others = sorted((copied / "cases").glob("*.yaml"), key=lambda path: path.stat().st_size)
    for path in others:
        path.unlink()
    return copied


def write_version(content: Path, version: str) -> None:
    """Give the rule set in the folder ``content`` another version, at one stroke: it may be read meanwhile."""
    path = content / "ruleset.yaml"
    other = path.with_suffix(".new")
    other.write_text(re.sub(r"(?m)^(\s*version:).*$", rf"\1 {version}", path.read_text()))
    other.replace(path)
