"""The lists of commands: each line says what a command does, in full, on the narrowest terminal that is usual."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from cds.cli import main

GROUPS = ([], ["rules"], ["codes"], ["store"])


@pytest.mark.parametrize("group", GROUPS, ids=" ".join)
def test_no_line_of_a_list_of_commands_is_cut(group: list[str]) -> None:
    shown = CliRunner().invoke(main, [*group, "--help"], terminal_width=80).output
    listed = shown.partition("Commands:")[2].strip().splitlines()
    assert len(listed) > 1
    assert [line for line in listed if line.rstrip().endswith("...")] == []
