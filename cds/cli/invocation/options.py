"""What commands share: the content they use (``--knowledge``, ``--overlay``, ``--cases``), and the moment (``--at``)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from rules.errors import KnowledgeError, NuqueError
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.ruleset import Ruleset

if TYPE_CHECKING:
    from cds.fhir.reading.code_map import CodeMap
    from cds.site.catalogue import Catalogue
    from rules.testing.cases import Case

Command = TypeVar("Command", bound=Callable[..., Any])


def moment(written: str) -> datetime:
    """The moment that ``written`` names as ISO 8601 has it, with its time zone: ``2026-01-31T10:00Z``.

    Raises click.BadParameter where it is not one, or has no time zone.
    """
    try:
        named = datetime.fromisoformat(written)
    except ValueError as error:
        raise click.BadParameter(
            f"{written!r} is not a moment; expected one such as 2026-01-31T10:00Z or 2026-01-31T10:00+01:00"
        ) from error
    if named.tzinfo is None:
        raise click.BadParameter(f"{written!r} has no time or no time zone; expected one such as 2026-01-31T10:00Z")
    return named


def moment_option(command: Command) -> Command:
    """Give ``command`` the option ``--at``: the moment of the decision, None where it is left out."""
    return click.option("--at", type=moment, help="Moment of decision, such as 2026-01-31T10:00Z; without it: now.")(
        command
    )


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
    """The ruleset of the folder ``knowledge`` (None: as shipped) with the files ``overlay`` over it.

    Raises NuqueError with every problem found.
    """
    overlays = [Path(path) for path in overlay]
    try:
        return load_ruleset(knowledge_folder(knowledge), overlays)
    except KnowledgeError as error:
        mistaken = [path for path in overlays if "items" in _keys(path)]
        if not mistaken:
            raise
        raise NuqueError(f"{mistaken[0]}: this is a catalogue of items, no overlay: --catalogue takes it") from error


def load_catalogue(path: Path | None, ruleset: Ruleset) -> Catalogue | None:
    """The catalogue in the file ``path``, if there is one, for the axes of ``ruleset``.

    Raises NuqueError with every problem found.
    """
    from cds.site.catalogue import Catalogue

    if path is None:
        return None
    try:
        return Catalogue.load(path, ruleset)
    except KnowledgeError as error:
        keys = _keys(path)
        if "items" in keys or not keys & {"rules", "parameters", "sources", "switch_off"}:
            raise
        raise NuqueError(f"{path}: this is an overlay, no catalogue of items: --overlay takes it") from error


def _keys(path: Path) -> set[str]:
    """The keys at the top of the YAML file ``path``; none where it holds no keys."""
    try:
        data = YamlFile.read(path).data
    except KnowledgeError:
        return set()
    return set(map(str, data)) if isinstance(data, dict) else set()


def codes_of(ruleset: Ruleset, code_map: Path | None, catalogue: Catalogue | None = None) -> Callable[[], CodeMap]:
    """A function that loads the code map for ``ruleset``, called once it is needed: plain facts need none.

    A site's file ``code_map`` and the items of its ``catalogue`` are laid over it.
    """

    def load() -> CodeMap:
        from cds.fhir.reading.code_map_loader import load_code_map

        found = load_code_map(ruleset, [code_map] if code_map else [])
        return found if catalogue is None else catalogue.with_items(found)

    return load


def cases_option(command: Command) -> Command:
    """Give ``command`` the option ``--cases`` (a folder)."""
    return click.option(
        "--cases",
        type=click.Path(exists=True, file_okay=False),
        help="Folder of case files in place of the shipped one.",
    )(command)


def knowledge_folder(knowledge: str | None) -> Path:
    """The folder that ``--knowledge`` names, or the shipped one."""
    return KNOWLEDGE if knowledge is None else Path(knowledge)


def load_worked_cases(ruleset: Ruleset, knowledge: str | None, cases: str | None = None) -> tuple[Case, ...]:
    """The worked cases for ``ruleset`` of the folder ``cases``, or those beside the ``knowledge``. Raises KnowledgeError."""
    from rules.testing.cases import CASES, load_cases

    return load_cases(ruleset, Path(cases) if cases else knowledge_folder(knowledge) / CASES.name)
