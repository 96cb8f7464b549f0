"""The errors of the decision side, in one hierarchy.

Every message says what was wrong, where it stands and what to do about it.
"""

from __future__ import annotations

from dataclasses import dataclass


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
class FactProblem:
    """One input fact that cannot be used: its name, the value as given, and what would be accepted."""

    fact: str
    value: object
    message: str
    accepted: str


class FactError(NuqueError):
    """One or more input facts cannot be used."""

    def __init__(self, problems: list[FactProblem]) -> None:
        """Keep ``problems`` and spell them out, one a line."""
        self.problems = problems
        super().__init__("\n".join(f"{p.fact} = {p.value!r}: {p.message}; accepted: {p.accepted}" for p in problems))


class EngineError(NuqueError):
    """The rules engine failed while it evaluated a ruleset. Nothing was decided."""
