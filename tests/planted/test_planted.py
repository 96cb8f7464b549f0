"""Planting a fault: noticed, not noticed, and no longer to be found."""

import ast
from pathlib import Path

import pytest

from tests.planted.__main__ import ROOT, Fault, faults, noticed


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("return 1", "return 2", None),
        ("return 1", "return 1 + 0", "pytest ended with 0"),
        ("return 7", "return 8", "holds 0 times"),
        ("return", "pass", "holds 2 times"),
    ],
)
def test_a_fault_is_planted_and_taken_out_again(tmp_path: Path, old: str, new: str, said: str | None) -> None:
    code = "def one():\n    return 1\n\n\ndef two():\n    return 2\n"
    (tmp_path / "pytest.ini").write_text("[pytest]\npythonpath = .\n")
    (tmp_path / "code_of_it.py").write_text(code)
    (tmp_path / "test_it.py").write_text("from code_of_it import one\n\n\ndef test_one():\n    assert one() == 1\n")
    problem = noticed(Fault("x", "code_of_it.py", old, new, ("test_it.py",)), tmp_path)
    assert problem is None if said is None else said in str(problem)
    assert (tmp_path / "code_of_it.py").read_text() == code


def test_a_fault_is_planted_in_the_processes_that_tests_start_too(tmp_path: Path) -> None:
    (tmp_path / "cds").mkdir()
    (tmp_path / "cds" / "__init__.py").write_text("ANSWER = 1\n")
    (tmp_path / "test_it.py").write_text(
        "import subprocess\nimport sys\n\n\ndef test_one():\n"
        "    program = 'import cds; assert cds.ANSWER == 1'\n"
        "    assert subprocess.run([sys.executable, '-c', program], cwd='/').returncode == 0\n"
    )
    assert noticed(Fault("x", "cds/__init__.py", "1", "2", ("test_it.py",)), tmp_path) is None


def test_a_file_that_is_gone_is_said(tmp_path: Path) -> None:
    assert "is not there" in str(noticed(Fault("x", "gone.py", "a", "b", ("test_it.py",)), tmp_path))


def test_every_fault_changes_something_and_names_its_tests() -> None:
    listed = list(faults())
    assert len(listed) > 60
    assert [fault.id for fault in listed if fault.old == fault.new or not fault.tests] == []
    assert len({fault.id for fault in listed}) == len(listed)


@pytest.mark.parametrize("fault", [*faults()], ids=lambda fault: str(fault.id))
def test_the_place_of_every_fault_is_still_in_the_code(fault: Fault) -> None:
    assert (ROOT / fault.file).read_text(encoding="utf-8").count(fault.old) == 1


@pytest.mark.parametrize("fault", [*faults()], ids=lambda fault: str(fault.id))
def test_the_tests_that_a_fault_names_are_still_there(fault: Fault) -> None:
    assert fault.tests
    assert [test for test in fault.tests if not _is_there(test)] == []


def _is_there(test: str) -> bool:
    path, _, name = test.partition("::")
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    defined = {node.name for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))}
    return bool(defined) if not name else name.partition("[")[0] in defined
