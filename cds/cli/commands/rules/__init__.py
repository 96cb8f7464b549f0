"""``nuque rules``: test, prove, explain and compare the rules, and show their evidence. One module a command."""

from __future__ import annotations

import sys

import click

from cds.cli.invocation.lazy_group import CommandFolder


@click.group(cls=CommandFolder, package=sys.modules[__name__], short_help="Check, test, explain and compare the rules.")
def rules() -> None:
    """For the team that owns the rules: check, test, mutate, prove, explain, compare, replay, map, sheet, evidence.

    Exit codes: 0 in order, 1 there are findings, 2 the command could not be carried out.
    """
