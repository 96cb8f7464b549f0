"""The command line: ``nuque``, a thin shell over the same decision that the service returns.

Each module of ``cds/cli/commands`` holds one command (or group) of the module's name, and is imported only when it is used.
"""

from __future__ import annotations

import click

from cds import __version__
from cds.cli import commands
from cds.cli.invocation.lazy_group import CommandFolder


@click.group(cls=CommandFolder, package=commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nuque")
def main() -> None:
    """Decision support for fitting rigid neck collars."""
