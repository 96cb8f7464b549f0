"""What whoever lacks the rules engine, or has one that was built in a way that does not load, is told."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from rules.evaluation.durable_library import remedy

# What the dynamic loader says on Python 3.13 of an engine that was built without the define.
UNDEFINED = "ImportError('durable_rules_engine.so: undefined symbol: PyEval_CallObject')"


def run_with_broken_engine(folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run a command of nuque where ``durable_rules_engine`` does not load."""
    (folder / "durable_rules_engine.py").write_text(f"raise {UNDEFINED}")
    program = f"import sys; sys.path.insert(0, {str(folder)!r}); from cds.cli import main; main(prog_name='nuque')"
    return subprocess.run([sys.executable, "-c", program, *command], capture_output=True, text=True, check=False)


@pytest.mark.parametrize("command", [["decide", "-"], ["serve"], ["--help"], ["rules", "test"]], ids=" ".join)
def test_a_command_ends_with_the_remedy_and_without_a_traceback(tmp_path: Path, command: list[str]) -> None:
    run = run_with_broken_engine(tmp_path, *command)
    assert run.returncode == 2
    assert "Traceback" not in run.stderr
    assert "undefined symbol: PyEval_CallObject" in run.stderr
    assert remedy() in run.stderr


def test_whoever_imports_the_engine_gets_an_import_error_with_the_remedy(tmp_path: Path) -> None:
    (tmp_path / "durable_rules_engine.py").write_text(f"raise {UNDEFINED}")
    program = f"""
import sys
sys.path.insert(0, {str(tmp_path)!r})
try:
    import rules.evaluation.durable_engine
except ImportError as error:
    print(error)
"""
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert remedy() in run.stdout


def test_the_define_is_named_where_it_is_needed() -> None:
    assert remedy("python", (3, 12)).startswith("python -m pip install")
    assert remedy("python", (3, 13)).startswith(
        "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject python -m pip install"
    )
    assert remedy("python", (3, 13)).endswith("durable_rules==2.0.28")
