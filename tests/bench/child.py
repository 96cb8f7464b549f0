"""A piece of a benchmark in a process of its own, so that its threads, its time and its memory are its own."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


def in_child(function: str, *arguments: Any, **environment: str) -> Any:
    """What ``function`` (``tests.bench.columns:rates``) returns for ``arguments``, both as JSON, in a fresh process.

    ``environment`` is added to that of this process. Raises CalledProcessError where the function failed; what it wrote
    to standard error is seen as it is.
    """
    command = [sys.executable, "-m", "tests.bench.child", function, json.dumps(arguments)]
    ran = subprocess.run(command, cwd=ROOT, env={**os.environ, **environment}, check=True, stdout=subprocess.PIPE)
    return json.loads(ran.stdout.splitlines()[-1])


def peak_memory() -> float:
    """The most memory that this process has held, in MB (Linux only: the kernel's own count for this program)."""
    status = Path("/proc/self/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM:")) / 1024


def memory() -> float:
    """The memory that this process holds now, in MB (Linux only)."""
    status = Path("/proc/self/status").read_text()
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS:")) / 1024


if __name__ == "__main__":
    module, name = sys.argv[1].split(":")
    print(json.dumps(getattr(importlib.import_module(module), name)(*json.loads(sys.argv[2]))))
