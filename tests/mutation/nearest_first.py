"""mutmut, with the tests that lie near a mutated module run first: ``python -m tests.mutation.nearest_first run NAME...``.

A core function is reached by thousands of tests, and those that are named after its module notice most of its mutants: so a few
near ones run first, and the others only where these pass.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from mutmut.__main__ import cli
from mutmut.runners.harness import PytestRunner
from mutmut.state import state
from mutmut.utils.file_utils import change_cwd
from mutmut.workers import isolation

if TYPE_CHECKING:
    # The process that starts those of the mutants has to stay free of what tests import.
    import pytest

_SIZES = (100, 400)
"""How many tests run first and second; the third part is all others."""


def distance(test_file: str, mutant: str) -> int:
    """How far ``test_file`` (``tests/package/test_module.py``) is from the module of ``mutant``; 0 is nearest."""
    module = mutant.partition(".x")[0].split(".")
    path = PurePosixPath(test_file)
    folders = path.parts[1:-1]
    shared = 0
    for ours, theirs in zip(folders, module[:-1], strict=False):
        if ours != theirs:
            break
        shared += 1
    is_named_so = path.stem.removeprefix("test_") == module[-1]
    return 2 * (len(module) - 1 - shared) + (not is_named_so)


def parts(tests: Iterable[str], seconds: Mapping[str, float], mutant: str) -> Iterator[list[str]]:
    """``tests``, in parts: those nearest to ``mutant`` first, of these the quickest.

    Args:
        tests: ids of pytest, ``file::test``.
        seconds: how long each took.
        mutant: as mutmut names it, ``package.module.`` and the function with the mutant's number.
    """
    nearest = sorted(tests, key=lambda test: (distance(test.partition("::")[0], mutant), seconds.get(test, 0.0), test))
    for size in (*_SIZES, len(nearest)):
        if nearest:
            yield nearest[:size]
        nearest = nearest[size:]


class Only:
    """A plugin of pytest: of the tests in the files that it was given only ``tests`` run."""

    def __init__(self, tests: Iterable[str]) -> None:
        self._tests = frozenset(tests)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid in self._tests]


class NearestFirst(PytestRunner):
    """Runs the tests of a mutant in parts, until one notices it."""

    def run_tests(self, *, mutant_name: str | None, tests: Iterable[str]) -> int:
        """Pytest's exit code: 0 where all ``tests`` pass with the mutant, 1 where one fails.

        Without a mutant (``mutant_name`` is None) their files run whole, on every core; without ``tests`` too, none do: those that
        tell what is reached ran just before.
        """
        if mutant_name is None:
            return self._run(list(tests), "-n", "auto", "--dist", "loadgroup") if tests else os.EX_OK
        for part in parts(tests, state().duration_by_test, mutant_name):
            code = self._run(part)
            if code != os.EX_OK:
                return code
        return os.EX_OK

    def _run(self, tests: Sequence[str], *options: str) -> int:
        """Pytest's exit code of ``tests``, which it looks for in their files: to look up thousands of names takes it minutes."""
        files = dict.fromkeys(test.partition("::")[0] for test in tests)
        plugins = [] if options else [Only(tests)]  # the processes of xdist have no plugins of this one
        with change_cwd("mutants"):
            return self.execute_pytest([*self._pytest_args_regular_run(files), *options], plugins=plugins)

    def run_forced_fail(self) -> int:
        """The exit code of the tests where every mutated function fails: not 0."""
        return PytestRunner.run_tests(self, mutant_name=None, tests=[])


if __name__ == "__main__":
    isolation.PytestRunner = NearestFirst  # type: ignore[misc]  # mutmut lets nobody choose a runner
    cli(prog_name="mutmut")
