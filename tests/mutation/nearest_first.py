"""mutmut, with the tests that lie near a mutated module run first: ``python -m tests.mutation.nearest_first run NAME...``.

A core function is reached by thousands of tests. To collect them takes longer than to run them, and those that are named after the
module notice most of its mutants: so a few near ones run first, and the others only where these pass.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import PurePosixPath

from mutmut.__main__ import cli
from mutmut.runners.harness import PytestRunner
from mutmut.state import state
from mutmut.workers import isolation

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


class NearestFirst(PytestRunner):
    """Runs the tests of a mutant in parts, until one notices it."""

    def run_tests(self, *, mutant_name: str | None, tests: Iterable[str]) -> int:
        """Pytest's exit code: 0 where all ``tests`` pass with the mutant, 1 where one fails.

        Without a mutant (``mutant_name`` is None) all run, on every core; without ``tests`` too, none do: those that tell what is
        reached ran just before.
        """
        if mutant_name is None:
            asked = list(tests)
            self._pytest_add_cli_args = [*self._pytest_add_cli_args, "-n", "auto", "--dist", "loadgroup"]
            return super().run_tests(mutant_name=None, tests=asked) if asked else 0
        for part in parts(tests, state().duration_by_test, mutant_name):
            code = super().run_tests(mutant_name=mutant_name, tests=part)
            if code != os.EX_OK:
                return code
        return os.EX_OK

    def run_forced_fail(self) -> int:
        """The exit code of the tests where every mutated function fails: not 0."""
        return PytestRunner.run_tests(self, mutant_name=None, tests=[])


if __name__ == "__main__":
    isolation.PytestRunner = NearestFirst  # type: ignore[misc]  # mutmut lets nobody choose a runner
    cli(prog_name="mutmut")
