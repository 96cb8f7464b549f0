"""Passes the shipped content through the gate and writes its verdict where the package carries it.

The command is ``python -m tests.cds.site.shipped_verdict``.

A verdict that is out of date is not used: a first start then runs the gate itself, for about a minute.
"""

from __future__ import annotations

import sys

from cds.settings import Settings
from cds.site import verdicts
from cds.site.content_check import prove


def main() -> int:
    """Write the verdict; 1 where the content may not be served."""
    shipped = Settings(knowledge=None, overlays=())
    name = verdicts.key(shipped, proved=True)
    found = prove(shipped, lambda stage, **numbers: print(stage, *numbers.values(), "..."))
    if found.reasons or not verdicts.can_prove():
        print(*(found.reasons or found.remarks), sep="\n")
        return 1
    verdicts.keep(verdicts.GateVerdict(found.stamp, found.cases, found.remarks), name, verdicts.SHIPPED)
    print(f"{verdicts.SHIPPED.name}: {found.stamp}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
