"""What commands of the workbench wrote as JSON into the folder ``NUQUE_RESULTS``: read strictly, and never decided here.

A result holds counts and invented patients. Nothing of a real patient is in it, so nothing of one can come onto a page.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from rules.errors import in_plain_words
from rules.model.facts import FactValue

_MOST_BYTES = 10_000_000
_MOST_FILES = 30


class _Result(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    about: str


class CountedCell(BaseModel):
    """So many patients whose measurements lie from the first to before the second of each pair, in mm."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    neck_height_mm: tuple[float, float]
    neck_circumference_mm: tuple[float, float]
    patients: int


class Situation(BaseModel):
    """The patients of one line and posture."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    known: Mapping[str, FactValue]
    cells: tuple[CountedCell, ...] = ()


class CohortMap(_Result):
    """``nuque rules map --cohort RESULT --json``: the patients of a replay over the map."""

    title: Literal["Decision map"]
    situations: tuple[Situation, ...]

    def cells(self, line: str) -> tuple[CountedCell, ...]:
        """Those of one ``line`` of collars, of both postures."""
        own = [one for one in self.situations if one.known.get("apparent_age_group") == line]
        return tuple(cell for one in own for cell in one.cells)


class ReportedChange(BaseModel):
    """One thing that is written otherwise."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    section: str
    name: str
    how: str
    words: tuple[str, ...]

    @property
    def is_derived(self) -> bool:
        """Whether it may have changed only because a number has that it reads."""
        return self.section != "parameter"

    @property
    def sides(self) -> Iterator[tuple[str, str]]:
        """Each difference as it was and as it is; a line that says no change stands on the side where it holds."""
        for line in self.words:
            before, arrow, after = line.partition(" -> ")
            subject, colon, _ = before.partition(": ")
            if arrow:
                yield before, f"{subject}{colon}{after}" if colon else after
            elif self.how == "removed" or line.startswith("no longer"):
                yield line, ""
            else:
                yield "", line


class Decided(BaseModel):
    """An invented patient who is decided otherwise."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    patient: str
    facts: Mapping[str, FactValue]
    kinds: tuple[str, ...]
    words: tuple[str, ...]


class RulesetComparison(_Result):
    """``nuque rules compare --json``: two versions, and whose decision comes out otherwise."""

    title: Literal["Comparison of two states of the rules"]
    written: tuple[ReportedChange, ...]
    patients: int
    changed: int
    kinds: Mapping[str, int]
    decisions: tuple[Decided, ...]

    @property
    def versions(self) -> tuple[str, str]:
        """The old one and the new one, each in a line."""
        old, _, new = self.about.partition(" | new: ")
        return old.removeprefix("old: "), new

    @property
    def some(self) -> tuple[Decided, ...]:
        """Of those whose decision changes in the same kinds, the first."""
        return tuple({one.kinds: one for one in reversed(self.decisions)}.values())[::-1]


@dataclass(frozen=True)
class Results:
    """What lies in the folder, by the name of its file; and what could not be read, with the reason."""

    maps: Mapping[str, CohortMap]
    comparisons: Mapping[str, RulesetComparison]
    refused: Mapping[str, str]


def results(folder: Path | None) -> Results:
    """The results in ``folder`` (None, or not there: nothing), read again when a file has changed."""
    found = sorted(folder.glob("*.json"))[:_MOST_FILES] if folder is not None and folder.is_dir() else []
    maps: dict[str, CohortMap] = {}
    comparisons: dict[str, RulesetComparison] = {}
    refused: dict[str, str] = {}
    for path in found:
        try:
            state = path.stat()
            one = _read(path, state.st_mtime_ns, state.st_size)
        except OSError as error:
            one = f"cannot be read: {error.strerror}"
        if isinstance(one, CohortMap):
            maps[path.stem] = one
        elif isinstance(one, RulesetComparison):
            comparisons[path.stem] = one
        else:
            refused[path.stem] = one
    return Results(maps, comparisons, refused)


@lru_cache(maxsize=_MOST_FILES)
def _read(path: Path, changed: int, size: int) -> CohortMap | RulesetComparison | str:
    """The result in ``path``, or why it is none."""
    if size > _MOST_BYTES:
        return f"larger than {_MOST_BYTES // 1_000_000} MB"
    text = path.read_bytes()
    for kind in (CohortMap, RulesetComparison):
        try:
            return kind.model_validate_json(text)
        except ValidationError as error:
            problem = error.errors(include_url=False)[0]
            if problem["loc"][:1] != ("title",):
                return f"{'.'.join(map(str, problem['loc'])) or 'the file'}: {in_plain_words(problem)}"
    return "neither a comparison nor a map"
