"""Completion in the shell: the line of README.md makes a real shell offer the commands."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
PROGRAM = Path(sys.executable).with_name("nuque")
ENVIRONMENT = {"PATH": f"{PROGRAM.parent}:{os.environ['PATH']}"}


def documented() -> str:
    """The line for bash, as README.md has it."""
    (line,) = re.findall(r"^\$ (eval .*_NUQUE_COMPLETE.*)$", (ROOT / "README.md").read_text(), re.M)
    return str(line)


@pytest.mark.parametrize(("typed", "offered"), [("nuque pub", ["publish"]), ("nuque rules she", ["sheet"])])
def test_bash_completes_a_command(typed: str, offered: list[str]) -> None:
    words = typed.split()
    asked = f"COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}"
    shell = f'{documented()}; {asked}; _nuque_completion nuque; printf "%s\\n" "${{COMPREPLY[@]}}"'
    ended = subprocess.run(["bash", "-c", shell], env=ENVIRONMENT, capture_output=True, text=True, timeout=120)
    assert ended.stdout.split() == offered, ended.stderr


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_a_script_is_printed_for_the_other_shells_that_the_page_names(shell: str) -> None:
    assert f"{shell}_source" in (ROOT / "README.md").read_text()
    asked = {**ENVIRONMENT, "_NUQUE_COMPLETE": f"{shell}_source"}
    ended = subprocess.run([PROGRAM], env=asked, capture_output=True, text=True, timeout=120)
    assert ended.returncode == 0, ended.stderr
    assert f"_NUQUE_COMPLETE={shell}_complete" in ended.stdout
