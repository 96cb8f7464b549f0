"""``python -m cds`` is the same command line as ``nuque``."""

import socket
import subprocess
import sys

import pytest
from click.testing import CliRunner

from cds.cli import main
from rules import __version__


def test_the_package_runs_as_the_command() -> None:
    done = subprocess.run([sys.executable, "-m", "cds", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout == f"nuque, version {__version__}\n"


def test_a_command_that_there_is_not_is_told_the_one_like_it() -> None:
    done = CliRunner().invoke(main, ["decid"])
    assert done.exit_code == 2 and "No such command 'decid'; did you mean decide?" in done.output
    assert "did you mean" not in CliRunner().invoke(main, ["xyzxyz"]).output


def test_a_port_that_is_taken_is_said_in_one_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = CliRunner().invoke(main, ["serve", "--port", str(port)])
    assert (done.exit_code, done.output) == (2, f"main: port {port} is taken; choose another with --port\n")


def test_a_setting_that_is_no_number_is_told_what_was_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_PORT", "abc")
    done = CliRunner().invoke(main, ["serve"])
    assert (done.exit_code, done.output) == (2, "main: NUQUE_PORT: must be a whole number, not 'abc'\n")
