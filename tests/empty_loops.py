"""Finds tests that pass because there was nothing to look at: every assertion stands in a loop that may be empty.

``python -m tests.empty_loops`` prints each such test with its place and ends with 1. What counts as an assertion: ``assert``,
``pytest.raises``, ``pytest.warns``, ``pytest.fail``, and the call of a function of the tests that asserts. A loop is one that
may be empty unless it goes over something that is written out, in place or as a constant of the module. ``assert all(...)``
over a generator is a loop too, and so is an assertion that a list made from another is empty.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

TESTS = Path(__file__).parent
_PYTEST = {"raises", "warns", "fail"}
_KEEPING = {"enumerate", "sorted", "reversed", "list", "tuple", "set", "frozenset", "iter", "pairwise", "product"}
"""Calls that give something wherever they are given something."""


class _Module:
    """One file: its tree, and the names of its constants that are written out and not empty."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
        self.filled: set[str] = set()
        for node in self.tree.body:
            targets = (
                node.targets
                if isinstance(node, ast.Assign)
                else [node.target]
                if isinstance(node, ast.AnnAssign)
                else []
            )
            value = getattr(node, "value", None)
            if value is not None and self.surely_something(value):
                self.filled.update(target.id for target in targets if isinstance(target, ast.Name))

    def surely_something(self, node: ast.expr) -> bool:
        """Whether iterating over ``node`` gives at least one item, as far as the text tells."""
        match node:
            case ast.List(elts) | ast.Tuple(elts) | ast.Set(elts):
                return any(not isinstance(one, ast.Starred) or self.surely_something(one.value) for one in elts)
            case ast.Dict(keys, values):
                return any(k is not None or self.surely_something(v) for k, v in zip(keys, values, strict=True))
            case ast.Constant(value):
                return isinstance(value, (str, bytes)) and bool(value)
            case ast.Name(name):
                return name in self.filled
            case ast.Call(ast.Name("range"), [*_, ast.Constant(int(number))]):
                return number > 0
            case ast.Call(ast.Name("zip"), arguments):
                strict = any(keyword.arg == "strict" for keyword in node.keywords)
                test = any if strict else all
                return bool(arguments) and test(self.surely_something(one) for one in arguments)
            case ast.Call(ast.Name(name), [first, *_]) if name in _KEEPING:
                return self.surely_something(first)
            case ast.Call(ast.Attribute(value, "items" | "keys" | "values" | "split" | "splitlines"), _):
                return self.surely_something(value)
            case ast.BinOp(left, ast.Add(), right):
                return self.surely_something(left) or self.surely_something(right)
            case ast.ListComp(_, generators) | ast.GeneratorExp(_, generators) | ast.SetComp(_, generators):
                return all(not one.ifs and self.surely_something(one.iter) for one in generators)
        return False


class _Looker:
    """Whether a body asserts for sure; ``asserting`` are functions that are known to."""

    def __init__(self, module: _Module, asserting: set[str]) -> None:
        self.module, self.asserting = module, asserting

    def sure(self, body: list[ast.stmt]) -> bool:
        return any(self._statement(one) for one in body)

    def _statement(self, node: ast.stmt) -> bool:
        match node:
            case ast.Assert(test):
                return not self._empty_handed(test)
            case ast.For(iter=iterated, body=body) | ast.AsyncFor(iter=iterated, body=body):
                return self._calls(iterated) or (self.module.surely_something(iterated) and self.sure(body))
            case ast.While(body=body) | ast.With(body=body) | ast.AsyncWith(body=body):
                opened = [item.context_expr for item in getattr(node, "items", [])]
                return any(map(self._calls, opened)) or (not isinstance(node, ast.While) and self.sure(body))
            case ast.If(body=body, orelse=orelse):
                return self.sure(body) or self.sure(orelse)
            case ast.Try(body=body, handlers=handlers, orelse=orelse, finalbody=finalbody):
                return any(map(self.sure, [body, orelse, finalbody, *(handler.body for handler in handlers)]))
            case ast.Match(cases=cases):
                return any(self.sure(case.body) for case in cases)
            case ast.FunctionDef() | ast.AsyncFunctionDef() | ast.ClassDef():
                return False
        return self._calls(node)

    def _calls(self, node: ast.AST) -> bool:
        """Whether ``node`` calls something that asserts, not within a comprehension."""
        if isinstance(node, (ast.ListComp, ast.SetComp, ast.GeneratorExp, ast.DictComp)):
            return all(self.module.surely_something(one.iter) for one in node.generators) and any(
                map(self._calls, ast.iter_child_nodes(node))
            )
        if isinstance(node, ast.Call):
            match node.func:
                case ast.Name(name) if name in self.asserting:
                    return True
                case ast.Attribute(ast.Name("pytest"), name) if name in _PYTEST:
                    return True
                case ast.Attribute(_, name) if name in self.asserting:
                    return True
        return any(map(self._calls, ast.iter_child_nodes(node)))

    def _empty_handed(self, test: ast.expr) -> bool:
        """Whether ``test`` holds where there is nothing to look at."""
        match test:
            case ast.Call(ast.Name("all"), [ast.GeneratorExp() | ast.ListComp() as made]):
                return not self.module.surely_something(made)
            case ast.UnaryOp(ast.Not(), ast.Call(ast.Name("any"), [ast.GeneratorExp() | ast.ListComp() as made])):
                return not self.module.surely_something(made)
            case ast.Compare(ast.ListComp() | ast.SetComp() as made, [ast.Eq()], [other]) if _is_empty(other):
                return not all(self.module.surely_something(one.iter) for one in made.generators)
            case ast.BoolOp(ast.And(), values):
                return all(map(self._empty_handed, values))
        return False


def _is_empty(node: ast.expr) -> bool:
    match node:
        case ast.List([]) | ast.Tuple([]) | ast.Dict([], []):
            return True
        case ast.Call(ast.Name("set" | "list" | "dict"), [], []):
            return True
    return False


def _functions(tree: ast.AST) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    return (node for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)))


def found(folder: Path = TESTS) -> list[str]:
    """The tests below ``folder`` whose assertions all stand in loops that may be empty, each with its place."""
    modules = [_Module(path) for path in sorted(folder.rglob("*.py"))]
    asserting: set[str] = set()
    while True:
        more = {
            function.name
            for module in modules
            for function in _functions(module.tree)
            if _Looker(module, asserting).sure(function.body)
        }
        if more <= asserting:
            break
        asserting |= more
    return [
        f"{module.path.relative_to(folder.parent)}:{function.lineno}: {function.name}"
        for module in modules
        for function in _functions(module.tree)
        if function.name.startswith("test_") and not _Looker(module, asserting).sure(function.body)
    ]


if __name__ == "__main__":
    places = found()
    for place in places:
        print(f"{place}: every assertion stands in a loop that may be empty; assert that there is something to look at")
    sys.exit(bool(places))
