"""The knowledge as its authors wrote it: where every rule, comparison and name stands, before parameters are worked in.

A ``Ruleset`` knows only where each rule begins. Reports that point at a line, and checks of what was written (units), ask here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rules.errors import Place
from rules.loading.loader import KNOWLEDGE
from rules.loading.yaml_reader import YamlFile
from rules.model.conditions import NEGATED, ConditionPath


@dataclass(frozen=True)
class WrittenComparison:
    """One comparison as written: the fact, the comparison's name, the value (arithmetic as text), and its place."""

    rule: str
    fact: str
    comparator: str
    value: Any
    place: Place


@dataclass(frozen=True)
class _Entry:
    source: YamlFile
    path: tuple[str | int, ...]
    value: Any


class SourceMap:
    """Files of knowledge and a site's overlays, by the names that stand in them."""

    def __init__(self, files: Iterable[YamlFile], overlays: Iterable[YamlFile] = ()) -> None:
        """Index ``files`` and ``overlays``, which must already have been loaded without a problem."""
        self._rules: dict[str, _Entry] = {}
        self._entries: dict[tuple[str, str], _Entry] = {}
        for source in (*files, *overlays):
            for section, content in source.data.items():
                if section == "rules":
                    for index, value in enumerate(content):
                        self._rules[value["id"]] = _Entry(source, ("rules", index), value)
                elif section == "instructions":
                    for name, value in content["texts"].items():
                        self._entries.setdefault((section, name), _Entry(source, (section, "texts", name), value))
                elif isinstance(content, dict):
                    for name, value in content.items():
                        self._entries.setdefault((section, name), _Entry(source, (section, name), value))

    @classmethod
    def read(cls, folder: Path = KNOWLEDGE, overlays: Iterable[Path] = ()) -> SourceMap:
        """The files that ``load_ruleset`` reads for the same arguments. Raises KnowledgeError where one cannot be read.

        ``folder`` holds the knowledge, ``overlays`` are the paths of a site's own files.
        """
        files = [YamlFile.read(path) for path in sorted(folder.glob("*.yaml"))]
        files += [
            YamlFile.read(path, f"instructions/{path.name}") for path in sorted(folder.glob("instructions/*.yaml"))
        ]
        return cls(files, [YamlFile.read(path) for path in overlays])

    def entry(self, section: str, name: str) -> Place:
        """Where ``name`` is defined in ``section``."""
        found = self._entries[section, name]
        return found.source.place(*found.path)

    def value(self, section: str, name: str) -> Any:
        """What stands under ``name`` in ``section``."""
        return self._entries[section, name].value

    def rule(self, rule: str, *path: str | int) -> Place:
        """Where ``path`` stands in ``rule``; the nearest enclosing value where it has no line of its own.

        ``path`` holds keys and positions in lists (from 0), ``rule`` is an id.
        """
        found = self._rules[rule]
        return found.source.place(*found.path, *path)

    def conclusions(self, rule: str) -> dict[str, Any]:
        """What ``rule`` concludes, as written."""
        return dict(self._rules[rule].value["then"].get("conclude", {}))

    def tasks(self, rule: str) -> list[dict[str, Any]]:
        """The tasks that ``rule`` asks for, as written."""
        tasks = self._rules[rule].value["then"].get("tasks", [])
        return [tasks] if isinstance(tasks, dict) else list(tasks)

    def conditions(self, rule: str) -> dict[ConditionPath, Place]:
        """Where each part of the condition of ``rule`` stands, by its path in the condition tree."""
        found = self._rules[rule]
        return {path: found.source.place(*found.path, *at) for path, at, _ in _walk((), ("when",), found.value["when"])}

    def comparisons(self, rule: str) -> Iterator[WrittenComparison]:
        """Every comparison of ``rule`` as written."""
        found = self._rules[rule]
        for _, at, leaf in _walk((), ("when",), found.value["when"]):
            if leaf is not None:
                fact, comparator, value = leaf
                yield WrittenComparison(rule, fact, comparator, value, found.source.place(*found.path, *at))


_Leaf = tuple[str, str, Any]


def _walk(
    path: ConditionPath, at: tuple[str | int, ...], value: Any
) -> Iterator[tuple[ConditionPath, tuple[str | int, ...], _Leaf | None]]:
    """Each part of a written condition: its path in the tree, its path in the file, and the comparison it is (if it is one).

    Follows ``reading_rules``: several comparisons beside one ``fact`` become children of an ``all``.
    """
    if not isinstance(value, dict):
        yield path, at, None
        return
    key = next(iter(value))
    if key in ("all", "any", "none"):
        yield path, at, None
        for index, child in enumerate(value[key]):
            yield from _walk((*path, index), (*at, key, index), child)
        return
    if key == "unless_known_not":
        danger = value[key]
        (comparator,) = (name for name in danger if name in NEGATED)
        yield path, (*at, key, comparator), (danger["fact"], comparator, danger[comparator])
        return
    comparators = [key for key in value if key in NEGATED]
    if len(comparators) == 1:
        yield path, (*at, comparators[0]), (value["fact"], comparators[0], value[comparators[0]])
        return
    yield path, at, None
    for index, comparator in enumerate(comparators):
        yield (*path, index), (*at, comparator), (value["fact"], comparator, value[comparator])
