"""Engines written in JavaScript: installed once, at the locked versions, and run as a filter of JSON lines."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
_INSTALLED = HERE.parents[2] / ".venv" / "engines"


def engines() -> Path:
    """The folder in which the engines are installed. In CI they must be there; elsewhere tests are skipped without Node.js."""
    if shutil.which("node") is None or shutil.which("npm") is None:
        if os.environ.get("CI"):
            pytest.fail("Node.js was not found, and CI must not skip the engines: apt-get install nodejs npm")
        pytest.skip("needs Node.js: apt-get install nodejs npm")
    _INSTALLED.mkdir(parents=True, exist_ok=True)
    with (_INSTALLED / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        _install()
        for script in HERE.glob("*.mjs"):
            shutil.copy(script, _INSTALLED)
    return _INSTALLED


def _install() -> None:
    locked = HERE / "package-lock.json"
    wanted = hashlib.sha256(locked.read_bytes()).hexdigest()
    stamp = _INSTALLED / "installed"
    if stamp.exists() and stamp.read_text() == wanted:
        return
    for file in (HERE / "package.json", locked):
        shutil.copy(file, _INSTALLED)
    command = ["npm", "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--fetch-retries=5"]
    done = subprocess.run(command, cwd=_INSTALLED, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    stamp.write_text(wanted)


def run(script: str, *arguments: str, given: str = "") -> str:
    """What ``script`` prints of ``given``. Fails with what it says where it does not end well."""
    command = ["node", "--max-old-space-size=2048", str(engines() / script), *arguments]
    done = subprocess.run(command, input=given, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def answers(script: str, *arguments: str, asked: Iterable[object]) -> Iterator[Any]:
    """For each of ``asked`` the answer of ``script``, which reads and writes a line of JSON for each."""
    given = "".join(json.dumps(one) + "\n" for one in asked)
    yield from map(json.loads, run(script, *arguments, given=given).splitlines())
