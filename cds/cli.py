"""The command line: ``nuque``, a thin shell over the same decision that the service returns.

Each module of ``cds/commands`` holds one command (or group) of the module's name, and is imported only when it is used.
"""

from __future__ import annotations

import importlib
import pkgutil

import click

from cds import __version__, commands
from rules.errors import NuqueError


class _Commands(click.Group):
    """The modules of ``cds/commands`` as commands; a ``_`` in a module's name reads ``-`` on the command line."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of the commands, sorted."""
        return sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(commands.__path__))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command called ``cmd_name``, or None where there is none."""
        if cmd_name not in self.list_commands(ctx):
            return None
        name = cmd_name.replace("-", "_")
        command = getattr(importlib.import_module(f"cds.commands.{name}"), name)
        assert isinstance(command, click.Command)
        return command

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; an error that the project raises on purpose ends it with its message and exit code 2."""
        try:
            return super().invoke(ctx)
        except NuqueError as error:
            click.echo(f"{ctx.info_name}: {error}", err=True)
            ctx.exit(2)


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nuque")
def main() -> None:
    """Decision support for fitting rigid neck collars."""
