"""``nuque fit``: what it asks for, and what it says of a check that it cannot use."""

from __future__ import annotations

import json

from click.testing import CliRunner

from cds.cli import main
from cds.cli.commands.fit import LEAST


def test_the_least_that_the_help_names_is_enough() -> None:
    assert LEAST in CliRunner().invoke(main, ["fit", "--help"], terminal_width=100).output
    done = CliRunner().invoke(main, ["fit", "-"], input=LEAST)
    assert done.exit_code == 0 and done.output.startswith("Seat the same size again")


def test_a_size_is_said_in_words_with_its_code_behind_it() -> None:
    worn = {"size": "young_child H1 G1", "findings": {"chin_over_edge": True}}
    done = CliRunner().invoke(main, ["fit", "-"], input=json.dumps({**worn, "history": [worn]}))
    said = " ".join(done.output.split())
    assert said.startswith("Try young child line, height 45 to under 60 mm, neck circumference under ")
    assert "(young child H2 G1): height up." in said
    assert "Worn: young child line, height under 45 mm" in said and "Not looked at: head pushed" not in said
    assert "no room for a finger" in said.lower() and "young_child" not in said


def test_a_check_of_another_shape_is_told_one_that_works() -> None:
    done = CliRunner().invoke(main, ["fit", "-"], input='{"size": {"line": "adult"}, "findings": ["x"]}')
    assert done.exit_code == 2
    first, second, last = done.output.splitlines()
    assert first.startswith("main: standard input: size: ") and second.startswith("main: standard input: findings: ")
    assert last == f"main: such as {LEAST}"
