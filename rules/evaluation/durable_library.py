"""The compiled library of durable_rules, or an error that says how to get it.

durable_rules 2.0.28 exists as source only and calls ``PyEval_CallObject``, which Python 3.13 removed. Built without the
define below it does not load there, and recent compilers refuse to build it at all.
"""

from __future__ import annotations

import sys

from rules.errors import NuqueError

__all__ = ["EngineNotInstalledError", "Host", "durable_rules_engine"]


class EngineNotInstalledError(NuqueError, ImportError):
    """durable_rules, the rules engine, is not installed or cannot be loaded. The message gives the command that mends it."""


def remedy(python: str = sys.executable, version: tuple[int, ...] = sys.version_info[:2]) -> str:
    """The command that builds and installs the rules engine for the interpreter ``python``.

    ``version`` is its version in numbers, such as 3 and 13.
    """
    define = "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject " if version >= (3, 13) else ""
    return (
        f"{define}{python} -m pip install --force-reinstall --no-deps --no-cache-dir --no-binary durable_rules "
        "durable_rules==2.0.28"
    )


try:
    import durable_rules_engine
    from durable.engine import Host
except ImportError as error:
    raise EngineNotInstalledError(
        f"durable_rules, the rules engine, cannot be loaded ({error}). With a C compiler and the headers of Python "
        f"(on Debian: apt-get install gcc libc6-dev python3-dev), build it again:\n    {remedy()}"
    ) from error
