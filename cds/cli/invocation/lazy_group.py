"""A group of commands read from a folder of modules, each imported only when it is used."""

from __future__ import annotations

import errno
import importlib
import pkgutil
from types import ModuleType
from typing import Any, NoReturn

import click

from cds.cli.invocation.extras import remedy
from rules.errors import NuqueError, closest_name


class CommandFolder(click.Group):
    """The modules of a package as commands; a ``_`` in a module's name reads ``-`` on the command line.

    Each module holds one command (or group) of the module's own name.
    """

    def __init__(self, *args: Any, package: ModuleType, **kwargs: Any) -> None:
        """Serve the modules of ``package``; everything else is as for a click group."""
        super().__init__(*args, **kwargs)
        self._package = package

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of the commands, sorted."""
        return sorted(module.name.replace("_", "-") for module in pkgutil.iter_modules(self._package.__path__))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command called ``cmd_name``, or None where there is none."""
        if cmd_name not in self.list_commands(ctx):
            return None
        name = cmd_name.replace("-", "_")
        command = getattr(importlib.import_module(f"{self._package.__name__}.{name}"), name)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that ``args`` begin with; where there is none, the message names the one like it."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            near = closest_name(args[0], self.list_commands(ctx))
            if near is None:
                raise
            raise click.UsageError(f"{error.message.removesuffix('.')}; did you mean {near}?", ctx) from error

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments; help imports every command, and where one cannot be, that ends with a message and code 2."""
        try:
            return super().parse_args(ctx, args)
        except NuqueError as error:
            _refuse(ctx, error)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; what is not installed, cannot be used or was refused ends it with a message and code 2."""
        try:
            return super().invoke(ctx)
        except NuqueError as error:
            _refuse(ctx, error)
        except ModuleNotFoundError as error:
            said = remedy(error)
            if said is None:  # no extra would help: the installation itself is broken
                raise
            _refuse(ctx, f"{ctx.invoked_subcommand} {said}")
        except OSError as error:
            if error.errno == errno.EPIPE:  # whoever read the output has gone; click ends that in its own way
                raise
            where = f"{error.filename}: " if error.filename else ""
            _refuse(ctx, f"{where}{error.strerror or error}; look at the path, its rights and the room left")


def _refuse(ctx: click.Context, why: object) -> NoReturn:
    """End the command with the message ``why`` on standard error, each line under its name, and code 2."""
    for line in str(why).splitlines() or [""]:
        click.echo(f"{ctx.info_name}: {line}", err=True)
    ctx.exit(2)
