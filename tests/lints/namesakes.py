"""Lists modules, packages and public classes of ``rules`` and ``cds`` that share a name:  python -m tests.lints.namesakes

One name for one thing: whoever reads it in an import or a traceback knows which is meant. Left out are modules below
``COMMANDS``, each called as its command is, and the names of ``SHARED``.
"""

from __future__ import annotations

import ast
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = ("rules", "cds")
COMMANDS = "cds/cli/commands/"

_RESOURCE = "the FHIR resource: one module reads it, others say the same in an expression language"
SHARED = {
    "device_use": _RESOURCE,
    "encounter": _RESOURCE,
    "observation": _RESOURCE,
    "patient": _RESOURCE,
    "questionnaire_response": _RESOURCE,
    "errors": "the errors of the package that it stands in",
}
"""Names of modules that may stand more than once, each with the reason."""


def namesakes(root: Path = ROOT) -> list[str]:
    """Each name that is shared below ``root``, with the files that share it."""
    named: dict[tuple[str, str], list[str]] = defaultdict(list)
    for path in _files(root):
        place = path.relative_to(root).as_posix()
        name = path.parent.name if path.stem == "__init__" else path.stem
        if name != "__main__" and name not in SHARED and not place.startswith(COMMANDS):
            named["module", name].append(place)
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                named["class", node.name].append(place)
    return [f"{kind} {name}: {', '.join(where)}" for (kind, name), where in sorted(named.items()) if len(where) > 1]


def _files(root: Path) -> Iterator[Path]:
    for package in PACKAGES:
        yield from sorted((root / package).rglob("*.py"))


def main() -> int:
    """Print what is shared; the exit code."""
    found = namesakes()
    print("\n".join(found))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
