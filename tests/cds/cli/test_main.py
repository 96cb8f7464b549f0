"""``python -m cds`` is the same command line as ``nuque``."""

import subprocess
import sys

from rules import __version__


def test_the_package_runs_as_the_command() -> None:
    done = subprocess.run([sys.executable, "-m", "cds", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"nuque, version {__version__}\n"
