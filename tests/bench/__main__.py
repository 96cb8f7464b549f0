"""``make bench``: run the benchmarks of this folder (ARGS names some of them) and print their ratios.

A benchmark is a module of this folder with a function ``measure`` that yields ``Measured``. Ends with 1 where a bar is missed.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys

from tests import bench

NO_BENCHMARKS = ("__main__", "child", "export", "measured")


def main(wanted: list[str]) -> int:
    names = sorted(module.name for module in pkgutil.iter_modules(bench.__path__))
    known = [name for name in names if name not in NO_BENCHMARKS]
    unknown = [name for name in wanted if name not in known]
    if unknown:
        print(f"no benchmark called {', '.join(unknown)}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    missed = 0
    for name in wanted or known:
        for measured in importlib.import_module(f"tests.bench.{name}").measure():
            print(f"{name}: {measured}", flush=True)
            missed += not measured.kept
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
