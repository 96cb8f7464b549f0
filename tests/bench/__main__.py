"""``make bench``: run the benchmarks of this folder (ARGS names some of them) and print their ratios.

A benchmark is a module of this folder with a function ``measure`` that yields ``Measured``. With ``--record`` those that have a
function ``record`` also put their figures into docs/. Ends with 1 where a bar is missed.
"""

from __future__ import annotations

import argparse
import importlib
import pkgutil
import sys

from tests import bench

NO_BENCHMARKS = ("__main__", "child", "export", "measured")


def main(wanted: list[str], record: bool) -> int:
    found = (module for module in pkgutil.iter_modules(bench.__path__) if not module.ispkg)
    known = sorted(module.name for module in found if module.name not in NO_BENCHMARKS)
    unknown = [name for name in wanted if name not in known]
    if unknown:
        print(f"no benchmark called {', '.join(unknown)}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    missed = 0
    for name in wanted or known:
        module = importlib.import_module(f"tests.bench.{name}")
        for measured in (module.record if record and hasattr(module, "record") else module.measure)():
            print(f"{name}: {measured}", flush=True)
            missed += not measured.kept
    return 1 if missed else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="BENCHMARK")
    parser.add_argument("--record", action="store_true", help="put the figures into docs/")
    asked = parser.parse_args()
    sys.exit(main(asked.names, asked.record))
