"""Plants each fault of ``*.yaml`` beside this file in a copy of the tree and runs the tests that are said to notice it.

``python -m tests.planted [WORD ...]`` runs those whose id holds one of the words, all by default. A fault that no named test
notices, or whose place in the code is no longer found, is printed and ends the run with 1. ``controls.yaml`` takes out what
stands against each hazard and threat, so that its evidence is seen to fail without it.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

ROOT = Path(__file__).resolve().parents[2]
_MOST_SECONDS = 600


@dataclass(frozen=True)
class Fault:
    """``old`` becomes ``new``, once, in ``file``; then one of ``tests`` (pytest node ids) must fail."""

    id: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


def faults(folder: Path = Path(__file__).parent) -> Iterator[Fault]:
    """All faults. Raises KeyError or TypeError where one is not written as it should be."""
    for path in sorted(folder.glob("*.yaml")):
        for name, written in yaml.safe_load(path.read_text(encoding="utf-8")).items():
            for number, change in enumerate(_changes(written), start=1):
                yield Fault(f"{name}/{number}" if "faults" in written else name, **change)


def _changes(written: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for one in written.get("faults", [written]):
        yield {"file": one["file"], "old": one["old"], "new": one["new"], "tests": tuple(one["tests"])}


def tree(folder: Path) -> Path:
    """A copy of what git knows of the tree, changes that are not committed included."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
    )
    for name in filter(None, listed.stdout.decode().split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)
    return folder


def noticed(fault: Fault, folder: Path) -> str | None:
    """None where a test fails with ``fault`` planted in ``folder``, otherwise what went otherwise."""
    path = folder / fault.file
    if not path.exists():
        return f"{fault.file} is not there; write the fault anew"
    text = path.read_text(encoding="utf-8")
    if text.count(fault.old) != 1:
        return f"{fault.file} holds {text.count(fault.old)} times what is to be changed, not once; write the fault anew"
    path.write_text(text.replace(fault.old, fault.new), encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--no-header", *fault.tests],
            cwd=folder,
            # The path, so that the processes that tests start run the copy too and not what is installed.
            env={**os.environ, "CI": "true", "PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(folder)},
            capture_output=True,
            text=True,
            timeout=_MOST_SECONDS,
        )
    finally:
        path.write_text(text, encoding="utf-8")
    if done.returncode == 1 and " failed" in done.stdout:
        return None
    return f"pytest ended with {done.returncode}: {(done.stdout + done.stderr).strip().splitlines()[-1:]}"


def main(words: list[str]) -> int:
    """Run and print; the exit code."""
    chosen = [fault for fault in faults() if not words or any(word in fault.id for word in words)]
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        copy = tree(Path(folder))
        for fault in chosen:
            problem = noticed(fault, copy)
            missed += problem is not None
            print(
                f"{'noticed' if problem is None else 'MISSED '}  {fault.id}" + (f": {problem}" if problem else ""),
                flush=True,
            )
    print(f"{len(chosen) - missed} of {len(chosen)} planted faults noticed")
    return 1 if missed or not chosen else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
