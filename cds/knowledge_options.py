"""Which clinical content a command uses: the options ``--knowledge`` and ``--overlay``, and loading by them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import click

from rules.loading import KNOWLEDGE, load_ruleset
from rules.ruleset import Ruleset

Command = TypeVar("Command", bound=Callable[..., Any])


def knowledge_options(command: Command) -> Command:
    """Give ``command`` the options ``--knowledge`` (a folder) and ``--overlay`` (site files, in order)."""
    command = click.option(
        "--overlay",
        multiple=True,
        type=click.Path(exists=True, dir_okay=False),
        help="A site's overlay file; may be given more than once.",
    )(command)
    return click.option(
        "--knowledge",
        type=click.Path(exists=True, file_okay=False),
        help="Folder of knowledge files in place of the shipped one.",
    )(command)


def load_knowledge(knowledge: str | None, overlay: Iterable[str] = ()) -> Ruleset:
    """The ruleset that the options name. Raises KnowledgeError with every problem found."""
    return load_ruleset(KNOWLEDGE if knowledge is None else Path(knowledge), [Path(path) for path in overlay])
