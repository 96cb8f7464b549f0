"""The code mapping worksheet read back: what a site wrote into its columns, as the site's code map."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, get_args

import yaml

from cds.fhir.free_text.collar_text import CollarKind
from cds.site.code_worksheet import HEADS
from rules.errors import KnowledgeError, Place
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset

_KINDS = get_args(CollarKind)


def site_code_map(path: Path, ruleset: Ruleset) -> str:
    """The site's code map (YAML) out of the filled-in worksheet at ``path``: CSV in UTF-8, with commas or semicolons.

    A line counts where ``your system`` and ``your code`` are filled in; the first columns say what the code means, of
    the facts of ``ruleset``. Raises KnowledgeError with every problem, each with file and line.
    """
    reading = _WorksheetReading(path, ruleset)
    for line, row in _lines(path):
        reading.take(line, row)
    if reading.problems:
        raise KnowledgeError(reading.problems)
    return reading.as_yaml()


def _lines(path: Path) -> Iterator[tuple[int, dict[str, str]]]:
    """Each line below the head with its number. Spreadsheets put a mark before the first column, and may write semicolons."""
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            head = file.readline()
            file.seek(0)
            rows = csv.DictReader(file, delimiter=";" if head.count(";") > head.count(",") else ",", strict=True)
            lacking = [name for name in HEADS if name not in (rows.fieldnames or ())]
            if lacking:
                said = (
                    f"no column {', '.join(map(repr, lacking))}: keep the head line that `nuque codes worksheet` writes"
                )
                raise KnowledgeError([(Place(str(path), 1), said)])
            for row in rows:
                yield rows.line_num, {name: (row[name] or "").strip() for name in HEADS}
    except UnicodeDecodeError as error:
        raise KnowledgeError([(Place(str(path)), "not UTF-8: save it as CSV UTF-8")]) from error
    except csv.Error as error:
        raise KnowledgeError([(Place(str(path), rows.line_num), f"not CSV: {error}")]) from error


class _WorksheetReading:
    """One worksheet being read: the entries so far, and the problems."""

    def __init__(self, path: Path, ruleset: Ruleset) -> None:
        self.path = path
        self.ruleset = ruleset
        self.problems: list[tuple[Place, str]] = []
        self.systems: dict[str, str] = {}
        self.facts: list[dict[str, Any]] = []
        self.collars: list[dict[str, Any]] = []
        self.lines: dict[tuple[str, str], int] = {}

    def take(self, line: int, row: Mapping[str, str]) -> None:
        """Add the entry of ``row``, the one in the line with the number ``line`` of the file, where there is one."""
        system, code = row["your system"], row["your code"]
        if not system and not code:
            if row["your display"]:
                self._wrong(line, "your display stands alone: fill in your system and your code, or empty it")
            return
        if not system or not code:
            lacking = "your code" if system else "your system"
            self._wrong(line, f"{lacking} is empty: a code counts only with its system, so fill in both or neither")
        elif ":" not in system or " " in system:
            self._wrong(line, f"your system {system!r} is not a URI such as https://hospital.example/codes")
        elif (system, code) in self.lines:
            earlier = self.lines[system, code]
            self._wrong(line, f"{system} {code} stands in line {earlier} already: one code has one meaning, keep one")
        else:
            self.lines[system, code] = line
            entry = {"system": self.systems.setdefault(system, f"site-{len(self.systems) + 1}"), "code": code}
            if row["your display"]:
                entry["display"] = row["your display"]
            self._enter(line, row, entry)

    def _enter(self, line: int, row: Mapping[str, str], entry: dict[str, Any]) -> None:
        if row["kind"] == "collar order":
            self._collar(line, row["says"], entry)
        elif row["kind"] != "fact":
            self._wrong(line, f"kind {row['kind']!r} is none of: fact, collar order; copy the worksheet's line")
        elif row["name"] not in self.ruleset.vocabulary:
            self._wrong(line, f"no fact is called {row['name']!r}; `nuque facts` lists them")
        else:
            self._fact(line, self.ruleset.vocabulary[row["name"]], row["says"], entry)

    def _collar(self, line: int, kind: str, entry: dict[str, Any]) -> None:
        if kind and kind not in _KINDS:
            self._wrong(line, f"says {kind!r}; a collar order may say {' or '.join(_KINDS)}, or nothing")
            return
        self.collars.append({**entry, **({"kind": kind} if kind else {})})

    def _fact(self, line: int, fact: FactDefinition, says: str, entry: dict[str, Any]) -> None:
        value = _value(fact, says) if says else None
        problem = self.ruleset.vocabulary.problem(fact.name, value)
        if problem is not None:
            self._wrong(line, f"{fact.name} says {says!r}: {problem.message}; accepted: {problem.accepted}")
        elif fact.given == "concluded":
            self._wrong(line, f"{fact.name} is worked out by rules and is not read: empty your columns here")
        else:
            self.facts.append({**entry, "fact": fact.name, **({} if value is None else {"value": value})})

    def _wrong(self, line: int, text: str) -> None:
        self.problems.append((Place(str(self.path), line), text))

    def as_yaml(self) -> str:
        """The code map of what was taken."""
        sections = {
            "systems": {name: [uri] for uri, name in self.systems.items()},
            "facts": self.facts,
            "collars": self.collars,
        }
        filled = {name: entries for name, entries in sections.items() if entries}
        return yaml.safe_dump(filled, sort_keys=False, allow_unicode=True, width=120)


def _value(fact: FactDefinition, says: str) -> FactValue:
    """``says`` as a value of ``fact``; what cannot be one stays text, and is refused as such."""
    if fact.type == "boolean":
        return {"true": True, "false": False}.get(says.lower(), says)
    if fact.numeric:
        try:
            return int(says) if fact.type == "integer" else float(says)
        except ValueError:
            return says
    return says
