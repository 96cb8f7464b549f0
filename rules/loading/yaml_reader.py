"""YAML with its line numbers: plain values in, and for each the place where it stood.

Stricter than YAML 1.1: a key given twice is refused, and only ``true`` and ``false`` are booleans
(``yes``, ``no``, ``on`` and ``off`` stay words).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import yaml

from rules.errors import KnowledgeError, Place


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
            self.data: Any = None if node is None else self._build(loader, node, ())
        except yaml.YAMLError as error:
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
        """Read and parse ``path`` (UTF-8). Raises KnowledgeError where it cannot be read."""
        name = name or path.name
        try:
            return cls(name, path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError) as error:
            raise KnowledgeError([(Place(name), f"cannot be read as UTF-8 text: {error}")]) from error

    def place(self, *path: str | int) -> Place:
        """The place of the value under ``path``; falls back to the nearest enclosing value with a line."""
        shown = ".".join(str(step) for step in path)
        for cut in range(len(path), -1, -1):
            if path[:cut] in self._lines:
                return Place(self.file, self._lines[path[:cut]], shown)
        return Place(self.file, None, shown)

    def _build(self, loader: _Loader, node: yaml.Node, path: tuple[str | int, ...]) -> Any:
        self._lines[path] = node.start_mark.line + 1
        if isinstance(node, yaml.MappingNode):
            return self._build_mapping(loader, node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._build(loader, child, (*path, index)) for index, child in enumerate(node.value)]
        return loader.construct_object(node)

    def _build_mapping(self, loader: _Loader, node: yaml.MappingNode, path: tuple[str | int, ...]) -> dict[str, Any]:
        built: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = str(loader.construct_object(key_node))
            value = self._build(loader, value_node, (*path, key))
            self._lines[(*path, key)] = key_node.start_mark.line + 1
            if key in built:
                self._problems.append((self.place(*path, key), f"the key {key!r} is given twice; keep one"))
            built[key] = value
        return built
