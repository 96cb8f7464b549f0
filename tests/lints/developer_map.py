"""Writes the map of packages into DEVELOPERS.md, from their docstrings:  python -m tests.lints.developer_map"""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "DEVELOPERS.md"
_MAP = re.compile(r"(?<=<!-- map: python -m tests.lints.developer_map -->\n).*?(?=<!-- end of map -->)", re.DOTALL)


def packages() -> list[Path]:
    """Every package of ``rules`` and ``cds``, parents first."""
    found = [file.parent for top in ("rules", "cds") for file in (ROOT / top).rglob("__init__.py")]
    return sorted(found, key=lambda folder: (folder.parts[len(ROOT.parts)] != "rules", folder))


def written_map() -> str:
    """The map as it stands in DEVELOPERS.md."""
    found = _MAP.search(PAGE.read_text(encoding="utf-8"))
    if found is None:
        raise ValueError(f"{PAGE}: the two comments between which the map stands are gone")
    return found.group()


def drawn_map() -> str:
    """The map as the docstrings have it: one row a package, with the first sentence of its docstring."""
    rows = [f"| `{folder.relative_to(ROOT)}/` | {_first_sentence(folder)} |" for folder in packages()]
    return "\n".join(["| package | one idea |", "|---|---|", *rows, ""])


def _first_sentence(package: Path) -> str:
    docstring = ast.get_docstring(ast.parse((package / "__init__.py").read_text(encoding="utf-8")))
    if not docstring:
        raise ValueError(f"{package / '__init__.py'}: say in a docstring what the package holds")
    return docstring.splitlines()[0].replace("``", "`").replace("|", "\\|")


if __name__ == "__main__":
    PAGE.write_text(_MAP.sub(lambda _: drawn_map(), PAGE.read_text(encoding="utf-8")), encoding="utf-8")
