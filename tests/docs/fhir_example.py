"""Runs the example program of docs/fhir.md and writes there what it prints:  python -m tests.docs.fhir_example"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "fhir.md"


def block(language: str) -> str:
    """The one block of the page in ``language``. Raises ValueError."""
    found = re.findall(rf"```{language}\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    if len(found) != 1:
        raise ValueError(f"{PAGE}: {len(found)} blocks of {language}, and one is meant")
    return str(found[0])


def printed() -> str:
    """What the program prints now. Raises CalledProcessError."""
    program = [sys.executable, "-c", block("python")]
    return subprocess.run(program, cwd=ROOT, capture_output=True, text=True, check=True, timeout=60).stdout


if __name__ == "__main__":
    whole = PAGE.read_text(encoding="utf-8")
    PAGE.write_text(whole.replace(block("json"), printed()), encoding="utf-8")
