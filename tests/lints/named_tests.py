"""Finds tests that a page or a list names and that no longer exist: evidence that was renamed or taken out.

``python -m tests.lints.named_tests`` prints each such name with its place and ends with 1. Read are the pages of docs/, those at
the top, and the planted faults. A name counts where it is written as one: ``test_...`` in backticks, or behind ``file.py::``.
"""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
_NAMED = re.compile(r"`(test_\w+)`|([\w/]+\.py)(?:::(\w+))?")


def functions(path: Path) -> set[str]:
    """The names of all functions in a file of Python, those within classes and functions too."""
    tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
    return {node.name for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))}


def missing(text: str, tests: dict[Path, set[str]]) -> list[str]:
    """What ``text`` names that is not there.

    ``tests`` holds the functions of each file of tests, by its path from the top of the project.
    """
    everywhere = set().union(*tests.values())
    files = {path.name for path in tests} | {path.stem for path in tests}
    found = []
    for alone, file, function in _NAMED.findall(text):
        if alone:
            known = alone in everywhere | files
        elif not file.startswith("tests/"):
            continue
        else:
            known = Path(file) in tests and (not function or function in tests[Path(file)])
        if not known:
            found.append(alone or "::".join(filter(None, (file, function))))
    return found


def main() -> int:
    """Print what is named and not there; 1 if there is any."""
    tests = {path.relative_to(ROOT): functions(path) for path in sorted((ROOT / "tests").rglob("*.py"))}
    pages = [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), *(ROOT / "tests" / "planted").glob("*.yaml")]
    lost = [
        f"{page.relative_to(ROOT)}:{number}: {name} is named here and is not in the tests"
        for page in sorted(pages)
        for number, line in enumerate(page.read_text(encoding="utf-8").splitlines(), start=1)
        for name in missing(line, tests)
    ]
    print("\n".join(lost) or f"{len(pages)} pages and lists name tests that exist")
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
