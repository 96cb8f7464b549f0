"""The guide as web pages:  python docs/guide/build.py FOLDER. In a wheel they are built with it.

Strictly: a link that leads nowhere, or a page that index.md does not list, ends the build.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

HERE = Path(__file__).resolve().parent
IN_WHEEL = "cds/web/pages/guide_pages"


def build(folder: Path) -> None:
    """Write the pages of ``docs/`` to ``folder``, in place of what is there."""
    with tempfile.TemporaryDirectory() as work:
        made = Path(work) / "pages"
        options = ["--builder", "html", "--quiet", "--nitpicky", "--fail-on-warning", "--keep-going"]
        where = ["--conf-dir", str(HERE), "--doctree-dir", str(Path(work) / "read"), str(HERE.parent), str(made)]
        subprocess.run([sys.executable, "-m", "sphinx", *options, *where], check=True)
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(made, folder)


class GuideInWheel(BuildHookInterface):
    """Puts the guide into the wheel. A checkout has it from make, an editable installation from its checkout."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Build before the wheel is packed."""
        if version != "editable":
            self._made = Path(tempfile.mkdtemp())
            build(self._made / "guide")
            build_data["force_include"][str(self._made / "guide")] = IN_WHEEL

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove what was built, once it is packed."""
        if version != "editable":
            shutil.rmtree(self._made)


if __name__ == "__main__":
    build(Path(sys.argv[1]))
