"""That tests which share something dear run on one worker: releases of pytest and pytest-xdist have let that slip, silently."""

import os
import subprocess
import sys
from pathlib import Path

GROUPED = """
import os
from pathlib import Path

import pytest


@pytest.mark.xdist_group("dear")
@pytest.mark.parametrize("number", range(12))
def test_it(number):
    Path(__file__).with_name(f"{number}.ran").write_text(os.environ["PYTEST_XDIST_WORKER"])
"""


def test_the_tests_of_a_group_run_on_one_worker(tmp_path: Path) -> None:
    (tmp_path / "test_grouped.py").write_text(GROUPED)
    alone = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-n",
        "2",
        "--dist",
        "loadgroup",
        "--rootdir",
        ".",
        "-p",
        "no:cacheprovider",
    ]
    done = subprocess.run(command, cwd=tmp_path, env=alone, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    workers = [ran.read_text() for ran in tmp_path.glob("*.ran")]
    assert len(workers) == 12
    assert len(set(workers)) == 1
