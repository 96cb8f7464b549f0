"""The errors of the decision side, in one hierarchy.

Every message says what was wrong, where it stands and what to do about it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any


class NuqueError(Exception):
    """Base of every error that this project raises on purpose."""


@dataclass(frozen=True)
class Place:
    """Where in the knowledge something stands: file, line (1-based), and the path of keys below it."""

    file: str
    line: int | None = None
    path: str = ""

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{where}: {self.path}" if self.path else where


class KnowledgeError(NuqueError):
    """The clinical content cannot be used. Carries every problem found, each with its place."""

    def __init__(self, problems: list[tuple[Place, str]]) -> None:
        """Keep ``problems`` (place and what was expected) and spell them out, one a line."""
        self.problems = problems
        super().__init__("\n".join(f"{place}: {text}" for place, text in problems))


@dataclass(frozen=True)
class InvalidFact:
    """One input fact that cannot be used: its name, the value as given, and what would be accepted."""

    fact: str
    value: object
    message: str
    accepted: str

    def __str__(self) -> str:
        also = "" if self.accepted == ANY_NAME else f"; accepted: {self.accepted}"
        return f"{self.fact} = {self.value!r}: {self.message}{also}"


ANY_NAME = "a name of the facts vocabulary"
"""What is accepted in place of a name that no fact has: the message says more."""


class FactError(NuqueError):
    """One or more input facts cannot be used."""

    def __init__(self, problems: list[InvalidFact]) -> None:
        """Keep ``problems`` and spell them out, one a line."""
        self.problems = problems
        super().__init__("\n".join(map(str, problems)))


class EngineError(NuqueError):
    """The rules engine failed while it evaluated a ruleset. Nothing was decided."""


_A_LIST, _AN_OBJECT, _A_TEXT, _A_NUMBER = "a list", "an object of keys and values", "a text", "a number"
_WANTED = {
    "tuple_type": _A_LIST,
    "list_type": _A_LIST,
    "set_type": _A_LIST,
    "dict_type": _AN_OBJECT,
    "model_type": _AN_OBJECT,
    "model_attributes_type": _AN_OBJECT,
    "string_type": _A_TEXT,
    "int_type": "a whole number",
    "float_type": _A_NUMBER,
    "bool_type": "true or false",
}
_GIVEN = {str: _A_TEXT, bool: "true or false", int: _A_NUMBER, float: _A_NUMBER, type(None): "null"}


def in_plain_words(problem: Mapping[str, Any]) -> str:
    """``problem`` as pydantic reports it (``type``, ``msg``, ``input``), in words for whoever wrote the file or the call."""
    wanted = _WANTED.get(problem["type"])
    if wanted is None:
        return str(problem["msg"]).removeprefix("Value error, ").replace("Input should be", "must be", 1)
    given = problem["input"]
    found = _AN_OBJECT if isinstance(given, Mapping) else _GIVEN.get(type(given), _A_LIST)
    return f"must be {wanted}, not {found}"


def closest_name(name: str, names: Collection[str]) -> str | None:
    """The one of ``names`` that ``name`` may have been meant for, or None where none is like it."""
    return next(iter(get_close_matches(name, names, n=1)), None)


def expected_names(name: str, names: Collection[str]) -> str:
    """What to write in place of ``name``: the one of ``names`` like it, else all of them where they are few, else some."""
    if near := closest_name(name, names):
        return f"did you mean {near}?"
    some = list(names)[:_NAMED]
    return f"there are: {', '.join(some)}" + (f" and {len(names) - len(some)} more" if len(names) > len(some) else "")


_NAMED = 20
"""How many names a message lists at most."""
