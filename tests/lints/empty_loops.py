"""Finds tests that pass because there was nothing to look at: every assertion stands in a loop that may be empty.

``python -m tests.lints.empty_loops`` prints each such test with its place and ends with 1. What counts as an assertion: ``assert``,
``pytest.raises``, ``pytest.warns``, ``pytest.fail``, and the call of a function of the tests that asserts, where the call is a
statement of its own: a function that looks at the status of an answer and gives the answer back has not looked at what is in it.
So is waiting for something in a browser, which fails where it does not come. A loop is one that may be empty unless it goes over
something that is written out: in place, as a constant of the module, or as a name that the function gives a value once.
``assert all(...)`` over a generator is a loop too, and so is an assertion that a list made from another is empty.
"""

from __future__ import annotations

import ast
import sys
from collections import Counter
from collections.abc import Iterator
from copy import copy
from pathlib import Path

TESTS = Path(__file__).parents[1]
_PYTEST = {"raises", "warns", "fail"}
_BROWSER = {"wait_for"}
_KEEPING = {"enumerate", "sorted", "reversed", "list", "tuple", "set", "frozenset", "iter", "pairwise", "product"}
"""Calls that give something wherever they are given something."""


class _Module:
    """One file: its tree, and the names of its constants that are written out and not empty."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tree = ast.parse(path.read_text(encoding="utf-8"), str(path))
        self.filled: set[str] = set()
        for name, value in _given(self.tree.body):
            if self.surely_something(value):
                self.filled.add(name)

    def within(self, function: ast.FunctionDef | ast.AsyncFunctionDef) -> _Module:
        """The module as ``function`` sees it: with the names that it fills once, and without those that it gives another value."""
        seen = copy(self)
        bound = Counter(node.id for node in ast.walk(function) if isinstance(node, ast.Name) and _is_bound(node))
        seen.filled = self.filled - bound.keys() - {one.arg for one in ast.walk(function) if isinstance(one, ast.arg)}
        for name, value in _given(function.body):
            if bound[name] == 1 and seen.surely_something(value):
                seen.filled.add(name)
        return seen

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


def _given(body: list[ast.stmt]) -> Iterator[tuple[str, ast.expr]]:
    """The names that ``body`` gives a value, each with the value, in this order."""
    for node in body:
        match node:
            case ast.Assign(targets, value):
                yield from ((target.id, value) for target in targets if isinstance(target, ast.Name))
            case ast.AnnAssign(ast.Name(name), _, ast.expr() as value):
                yield name, value


def _is_bound(node: ast.Name) -> bool:
    return not isinstance(node.ctx, ast.Load)


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
                return self.module.surely_something(iterated) and self.sure(body)
            case ast.With(items, body) | ast.AsyncWith(items, body):
                return any(map(_is_of_pytest, (item.context_expr for item in items))) or self.sure(body)
            case ast.If(body=body, orelse=orelse):
                return self.sure(body) or self.sure(orelse)
            case ast.Try(body=body, handlers=handlers, orelse=orelse, finalbody=finalbody):
                return any(map(self.sure, [body, orelse, finalbody, *(handler.body for handler in handlers)]))
            case ast.Match(cases=cases):
                return any(self.sure(case.body) for case in cases)
            case ast.Expr(value) | ast.Return(ast.expr() as value):
                return self._calls(value)
        return False

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
                case ast.Attribute(_, name) if name in self.asserting | _BROWSER or _is_of_pytest(node):
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


def _is_of_pytest(node: ast.expr) -> bool:
    """Whether ``node`` calls an assertion of pytest."""
    match node:
        case ast.Call(ast.Attribute(ast.Name("pytest"), name)):
            return name in _PYTEST
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
    functions = [(module.within(function), function) for module in modules for function in _functions(module.tree)]
    asserting: set[str] = set()
    while True:
        more = {function.name for seen, function in functions if _Looker(seen, asserting).sure(function.body)}
        if more <= asserting:
            break
        asserting |= more
    return [
        f"{seen.path.relative_to(folder.parent)}:{function.lineno}: {function.name}"
        for seen, function in functions
        if function.name.startswith("test_") and not _Looker(seen, asserting).sure(function.body)
    ]


if __name__ == "__main__":
    places = found()
    for place in places:
        print(f"{place}: every assertion stands in a loop that may be empty; assert that there is something to look at")
    sys.exit(bool(places))
