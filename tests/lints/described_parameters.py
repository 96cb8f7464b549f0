"""Lists what the docstrings of public functions leave out:  python -m tests.lints.described_parameters

Held for ``rules`` and ``cds``: each parameter stands in the docstring in double backticks, a number (taken or returned) with
its unit or what it counts, in its name or in the same sentence, a ``datetime`` as a moment or by its time zone, and an error
by its name where the function raises it itself.

A function or a class whose name starts with an underscore is not public, nor is a function inside another. Left out besides
is what is described elsewhere:

- a method, as far as that of a base class or of a protocol with the same parameters names them, and one that a class of a
  library asks for;
- a command of the command line and a route of the service: the options and the OpenAPI document describe them;
- a validator, which pydantic hands what it checks, and ``@overload``, of which the function itself tells.
"""

from __future__ import annotations

import ast
import builtins
import importlib
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("rules", "cds")

_Function = ast.FunctionDef | ast.AsyncFunctionDef
_CALLED_BY_OTHERS = {
    "command",
    "group",
    "get",
    "post",
    "put",
    "delete",
    "field_validator",
    "model_validator",
    "overload",
}
_INTERFACES = {"Protocol", "ABC", "Generic"}
_NUMBERS = {"int", "float", "Decimal", "Fraction"}
_QUOTED = re.compile(r"``([^`]+)``")
_MOMENT = re.compile(r"\b(?:moments?|time zone|clock)\b")
_UNITS = """unit mm millimetre cm kg point share percent probability second ms millisecond minute hour day year byte character
    many number count counted index position rank step level line row port status times worker layer seed"""
_UNIT = re.compile(rf"(?<![^\W_])(?:{'|'.join(_UNITS.split())})s?(?![^\W_])", re.IGNORECASE)


@dataclass(frozen=True)
class Undescribed:
    """What no docstring speaks of, and where."""

    path: str
    line: int
    function: str
    what: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.function}: {self.what}"


class Class:
    """A class of the two packages, in its module."""

    def __init__(self, node: ast.ClassDef, module: Module) -> None:
        self.name = node.name
        self.module = module
        self.methods = {part.name: part for part in node.body if isinstance(part, _Function)}
        self.bases = [ast.unparse(base.value if isinstance(base, ast.Subscript) else base) for base in node.bases]

    def derived_from(self, classes: Mapping[str, Mapping[str, Class]]) -> tuple[list[Class], list[type]]:
        """The classes that it derives from: those of the two packages, and those of libraries."""
        ours: list[Class] = []
        theirs: list[type] = []
        for base in self.bases:
            first, *rest = base.split(".")
            source, name = self.module.imported.get(first, (self.module.name, first))
            found = classes.get(source, {}).get(name)
            if found is not None:
                above, beyond = found.derived_from(classes)
                ours += [found, *above]
                theirs += beyond
            elif name not in _INTERFACES and source.partition(".")[0] not in PACKAGES:
                theirs += _of_a_library(source, [name, *rest])
            elif hasattr(builtins, name):
                theirs.append(getattr(builtins, name))
        return ours, theirs


class Module:
    """One module, read: its functions, its classes, and where the names come from that it imports."""

    def __init__(self, name: str, path: str, text: str) -> None:
        self.name = name
        self.path = path
        tree = ast.parse(text)
        self.functions = [node for node in tree.body if isinstance(node, _Function)]
        self.classes = {node.name: Class(node, self) for node in tree.body if isinstance(node, ast.ClassDef)}
        self.imported = dict(_imported(tree))


def modules(root: Path = ROOT) -> list[Module]:
    """Every module of the two packages under ``root``."""
    paths = [path.relative_to(root) for package in PACKAGES for path in sorted((root / package).rglob("*.py"))]
    return [
        Module(".".join(path.with_suffix("").parts), str(path), (root / path).read_text(encoding="utf-8"))
        for path in paths
    ]


def undescribed(tree: list[Module]) -> Iterator[Undescribed]:
    """What the docstrings of the modules ``tree`` leave out."""
    classes = {module.name: module.classes for module in tree}
    interfaces = [one for held in classes.values() for one in held.values() if _INTERFACES.intersection(one.bases)]
    for module in tree:
        for function in module.functions:
            yield from _left_out(function, function.name, module, [])
        for one in module.classes.values():
            if one.name.startswith("_"):
                continue
            ours, theirs = one.derived_from(classes)
            for name, method in one.methods.items():
                if any(hasattr(base, name) for base in theirs):
                    continue
                above = [base.methods[name] for base in ours if name in base.methods]
                alike = [each.methods[name] for each in interfaces if name in each.methods]
                above += [each for each in alike if _names(each) == _names(method)]
                yield from _left_out(method, f"{one.name}.{name}", module, above)


def _left_out(function: _Function, name: str, module: Module, above: list[_Function]) -> Iterator[Undescribed]:
    if function.name.startswith("_") or _CALLED_BY_OTHERS & {_last_name(one) for one in function.decorator_list}:
        return
    said = "\n\n".join(ast.get_docstring(one) or "" for one in (function, *above))
    sentences = re.split(r"[.;]\s+|\n\n", said)
    for parameter in _parameters(function):
        about = [one for one in sentences if parameter.arg in re.findall(r"\w+", " ".join(_QUOTED.findall(one)))]
        if not about:
            yield Undescribed(module.path, function.lineno, name, f"{parameter.arg} is not named")
        elif _holds(parameter.annotation, {"datetime"}) and not any(map(_MOMENT.search, about)):
            yield Undescribed(module.path, function.lineno, name, f"{parameter.arg} is not called a moment")
        elif _holds(parameter.annotation, _NUMBERS) and not any(map(_UNIT.search, about)):
            yield Undescribed(module.path, function.lineno, name, f"{parameter.arg} is a number without a unit")
    if _holds(function.returns, _NUMBERS) and not _UNIT.search(f"{function.name} {said}"):
        yield Undescribed(module.path, function.lineno, name, "it returns a number without a unit")
    for error in _raised(function):
        if error not in said:
            yield Undescribed(module.path, function.lineno, name, f"it raises {error}, which is not said")


def _raised(function: _Function) -> Iterator[str]:
    waiting: list[ast.AST] = list(function.body)
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Raise) and node.exc is not None and (name := _last_name(node.exc))[:1].isupper():
            yield name
        if not isinstance(node, (*_Function.__args__, ast.ClassDef)):
            waiting.extend(ast.iter_child_nodes(node))


def _parameters(function: _Function) -> list[ast.arg]:
    taken = function.args
    every = [*taken.posonlyargs, *taken.args, *taken.kwonlyargs, *filter(None, (taken.vararg, taken.kwarg))]
    return [one for one in every if one.arg not in {"self", "cls"}]


def _names(function: _Function) -> list[str]:
    return [one.arg for one in _parameters(function)]


def _holds(annotation: ast.expr | None, types: set[str]) -> bool:
    parts = ast.walk(annotation) if annotation is not None else ()
    return any(isinstance(part, ast.Name) and part.id in types for part in parts)


def _last_name(node: ast.expr) -> str:
    return ast.unparse(node.func if isinstance(node, ast.Call) else node).split(".")[-1]


def _imported(tree: ast.Module) -> Iterator[tuple[str, tuple[str, str]]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield from ((one.asname or one.name, (node.module, one.name)) for one in node.names)
        elif isinstance(node, ast.Import):
            yield from ((one.asname or one.name, (one.name, "")) for one in node.names)


def _of_a_library(module: str, names: list[str]) -> list[type]:
    value: object = importlib.import_module(module)
    for name in filter(None, names):
        value = getattr(value, name, None)
    return [value] if isinstance(value, type) else []


if __name__ == "__main__":
    left_out = list(undescribed(modules()))
    print("\n".join(map(str, left_out)) or "every parameter is described")
    sys.exit(bool(left_out))
