"""A plugin of pytest: tests that lie near the mutated module run first.

A core function is reached by thousands of tests, which mutmut runs quickest first; those that are named after the module notice
most of its mutants.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import PurePosixPath

import pytest

_MUTANT = "MUTANT_UNDER_TEST"
"""Where mutmut says which one is switched on: ``package.module.`` and the name of the mutated function."""


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


def ordered(test_files: Sequence[str], mutant: str) -> list[int]:
    """The positions in ``test_files``, nearest to ``mutant`` first, otherwise as they are."""
    return sorted(range(len(test_files)), key=lambda place: distance(test_files[place], mutant))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put ``items`` in that order while a mutant is switched on."""
    mutant = os.environ.get(_MUTANT, "")
    if "__mutmut_" in mutant:
        items[:] = [items[place] for place in ordered([item.nodeid.partition("::")[0] for item in items], mutant)]
