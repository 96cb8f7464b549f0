"""A command whose packages an extra brings says which extra, where it is not installed."""

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from cds.cli.invocation.extras import EXTRA_OF, remedy

ROOT = Path(__file__).resolve().parents[3]


def canonical(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def declared() -> tuple[set[str], dict[str, set[str]]]:
    """The distributions that Nuque always needs, and for each that an extra brings the extras with it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    by_extra: dict[str, set[str]] = {}
    for extra, lines in project["optional-dependencies"].items():
        for line in lines:
            by_extra.setdefault(canonical(Requirement(line).name), set()).add(extra)
    return {canonical(Requirement(line).name) for line in project["dependencies"]}, by_extra


def imported() -> set[str]:
    """The packages from outside that the modules of rules and cds import."""
    found = set()
    for path in (*(ROOT / "rules").rglob("*.py"), *(ROOT / "cds").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                found |= {name.name.partition(".")[0] for name in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                found.add(str(node.module).partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"rules", "cds"}


@pytest.mark.tree
def test_every_package_that_only_an_extra_brings_is_listed_with_that_extra() -> None:
    always, by_extra = declared()
    distributions = packages_distributions()  # reads all that is installed
    from_extras = {
        package: extras
        for package in imported()
        for name in distributions.get(package, ())
        if canonical(name) not in always and (extras := by_extra.get(canonical(name)))
    }
    assert {"z3", "polars", "pyarrow", "numpy", "fpdf"} <= set(from_extras)
    assert {p: EXTRA_OF.get(p) for p in from_extras if EXTRA_OF.get(p) not in from_extras[p]} == {}


def nuque(*arguments: str, without: str = "") -> subprocess.CompletedProcess[str]:
    """``nuque`` in a process of its own, in which the package ``without`` cannot be imported."""
    program = f"import sys; sys.modules[{without!r}] = None; from cds.cli import main; main(prog_name='nuque')"
    command = [sys.executable, "-c", program, *arguments] if without else [sys.executable, "-m", "cds", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


@pytest.mark.parametrize(
    ("arguments", "package", "extra"),
    [
        (("rules", "sheet"), "numpy", "workbench"),
        (("rules", "sheet"), "fpdf", "workbench"),
        (("rules", "map"), "polars", "workbench"),
        (("rules", "replay", ".", "--out", "out"), "pyarrow", "workbench"),
        (("rules", "check"), "z3", "gate"),
        (("rules", "prove"), "z3", "gate"),
        (("rules", "mutate"), "z3", "gate"),
    ],
)
def test_a_command_names_the_extra_that_is_missing(arguments: tuple[str, ...], package: str, extra: str) -> None:
    ended = nuque(*arguments, without=package)
    assert (ended.returncode, ended.stdout) == (2, "")
    assert ended.stderr.strip().splitlines() == [
        f"rules: {arguments[1]} needs {package}, which is not installed; it comes with the extra {extra}: "
        f"pip install 'nuque[{extra}]'"
    ]


def test_a_package_that_no_extra_brings_is_a_broken_installation() -> None:
    assert remedy(ModuleNotFoundError("No module named 'click'", name="click")) is None
    ended = nuque("facts", without="yaml")
    assert ended.returncode == 1
    assert "ModuleNotFoundError" in ended.stderr
