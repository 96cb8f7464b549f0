"""YAML with its line numbers: plain values in, and for each the place where it stood.

Stricter than YAML 1.1: a key given twice is refused, and only ``true`` and ``false`` are booleans
(``yes``, ``no``, ``on`` and ``off`` stay words). Aliases are refused, since a few lines of them can stand for more values than
any memory holds; so are very large files, deep nesting and endless numbers.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

from rules.errors import KnowledgeError, Place

MOST_BYTES = 4_000_000
"""Length of one file; the longest of the shipped content is a twentieth of it."""
DEEPEST = 50
"""Mappings and lists within one another; the shipped content needs about ten."""
_LONGEST_NUMBER = 64


class _Loader(yaml.CSafeLoader):
    """CSafeLoader with the boolean words cut down to ``true`` and ``false``, and no dates."""


_Loader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if not tag.endswith((":bool", ":timestamp"))]
    for first, resolvers in yaml.CSafeLoader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(?:true|false)$"), list("tf"))


class YamlFile:
    """One parsed YAML file: ``data`` (plain values) and ``place(path)`` for messages."""

    def __init__(self, file: str, text: str) -> None:
        """Parse ``text``. Raises KnowledgeError where it is not YAML or repeats a key."""
        self.file = file
        self._lines: dict[tuple[str | int, ...], int] = {}
        self._problems: list[tuple[Place, str]] = []
        loader = _Loader(text)
        try:
            node = loader.get_single_node()
            self._seen: set[int] = set()
            self.data: Any = None if node is None else self._build(loader, node, ())
        except (yaml.YAMLError, ValueError, KeyError) as error:
            mark = getattr(error, "problem_mark", None)
            line = None if mark is None else mark.line + 1
            what = getattr(error, "problem", None) or str(error)
            raise KnowledgeError([(Place(file, line), f"not valid YAML: {what}")]) from error
        finally:
            loader.dispose()
        if self._problems:
            raise KnowledgeError(self._problems)

    @classmethod
    def read(cls, path: Path, name: str | None = None) -> YamlFile:
        """Read and parse ``path`` (UTF-8). Raises KnowledgeError where it cannot be read or is too long.

        Messages call the file ``name``, or as its path ends where none is given.
        """
        name = name or path.name
        try:
            with path.open("rb") as file:
                content = file.read(MOST_BYTES + 1)
            if len(content) > MOST_BYTES:
                raise KnowledgeError([(Place(name), f"longer than {MOST_BYTES} bytes; divide it into several files")])
            return cls(name, content.decode("utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise KnowledgeError([(Place(name), f"cannot be read as UTF-8 text: {error}")]) from error

    def place(self, *path: str | int) -> Place:
        """The place of the value under ``path``; falls back to the nearest enclosing value with a line.

        ``path`` holds keys, and positions in lists (from 0).
        """
        shown = ".".join(str(step) for step in path)
        for cut in range(len(path), -1, -1):
            if path[:cut] in self._lines:
                return Place(self.file, self._lines[path[:cut]], shown)
        return Place(self.file, None, shown)

    def _build(self, loader: _Loader, node: yaml.Node, path: tuple[str | int, ...]) -> Any:
        self._lines[path] = node.start_mark.line + 1
        if (problem := self._refusal(node, path)) is not None:
            self._problems.append((self.place(*path), problem))
            return None
        if isinstance(node, yaml.MappingNode):
            return self._build_mapping(loader, node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._build(loader, child, (*path, index)) for index, child in enumerate(node.value)]
        return loader.construct_object(node)

    def _refusal(self, node: yaml.Node, path: tuple[str | int, ...]) -> str | None:
        """Why ``node`` is not read, or None."""
        if id(node) in self._seen:
            return "stands for what is written elsewhere (an alias); write it out"
        self._seen.add(id(node))
        if len(path) > DEEPEST:
            return f"is nested more than {DEEPEST} levels deep"
        if node.tag.endswith((":int", ":float")) and len(node.value) > _LONGEST_NUMBER:
            return f"is a number of more than {_LONGEST_NUMBER} characters"
        return None

    def _build_mapping(self, loader: _Loader, node: yaml.MappingNode, path: tuple[str | int, ...]) -> dict[str, Any]:
        built: dict[str, Any] = {}
        for key_node, value_node in node.value:
            problem = self._refusal(key_node, path) if isinstance(key_node, yaml.ScalarNode) else "is not a word"
            if problem is not None:
                self._problems.append((self.place(*path), f"a key here {problem}"))
                continue
            key = str(loader.construct_object(key_node))
            value = self._build(loader, value_node, (*path, key))
            self._lines[(*path, key)] = key_node.start_mark.line + 1
            if key in built:
                self._problems.append((self.place(*path, key), f"the key {key!r} is given twice; keep one"))
            built[key] = value
        return built
