"""``nuque fit``: what it asks for, and what it says of a check that it cannot use."""

from __future__ import annotations

from click.testing import CliRunner

from cds.cli import main
from cds.cli.commands.fit import LEAST


def test_the_least_that_the_help_names_is_enough() -> None:
    assert LEAST in CliRunner().invoke(main, ["fit", "--help"], terminal_width=100).output
    done = CliRunner().invoke(main, ["fit", "-"], input=LEAST)
    assert done.exit_code == 0 and done.output.startswith("adult H2 G2: ")


def test_a_check_of_another_shape_is_told_one_that_works() -> None:
    done = CliRunner().invoke(main, ["fit", "-"], input='{"size": {"line": "adult"}, "findings": ["x"]}')
    assert done.exit_code == 2
    first, second, last = done.output.splitlines()
    assert first.startswith("main: standard input: size: ") and second.startswith("main: standard input: findings: ")
    assert last == f"main: such as {LEAST}"
