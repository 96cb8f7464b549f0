"""Sphinx makes the guide from the pages in ``docs/``: plain Markdown, a theme of ours, nothing from elsewhere."""

import re
from importlib.metadata import distribution
from pathlib import Path

from docutils.nodes import Element, SkipNode
from sphinx.application import Sphinx
from sphinx.errors import ExtensionError
from sphinx.writers.html5 import HTML5Translator

project = "Nuque"
language = "en"
root_doc = "index"
extensions = ["myst_parser"]
exclude_patterns = ["changes", "guide", "pictures"]

myst_heading_anchors = 6

html_theme_path = ["."]
html_theme = "theme"
html_title = "Nuque guide"
# The look of the service's own pages.
html_static_path = ["../../cds/web/pages/static/pages.css", "../../cds/web/pages/static/icon.svg"]
html_copy_source = False
html_show_sourcelink = False
html_use_index = False
html_permalinks = False

UNUSED = ["basic.css", "pygments.css", "file.png", "minus.png", "plus.png", "sphinx_highlight.js"]
"""What the generator writes beside the pages and no page loads."""

OUTSIDE = re.compile(r"\[([^\]]+)\]\((?:\.\./(?:DEVELOPERS\.md|LICENSE)|changes)[^)]*\)")
"""Links to files that are no pages of the guide: their words stay."""

SECTION = re.compile(r"^## (.+)$|\[([^\]]+)\]\(([^)]+)\.md\)", re.MULTILINE)
"""A heading of index.md, or a link to a page."""


class Readable(HTML5Translator):
    """What is wider than a phone scrolls by itself, also by keyboard."""

    def visit_table(self, node: Element) -> None:
        """Open a table in a box of its own."""
        self.body.append('<div class="wide" role="group" aria-label="Table" tabindex="0">')
        super().visit_table(node)

    def depart_table(self, node: Element) -> None:
        """Close both."""
        super().depart_table(node)
        self.body.append("</div>\n")

    def visit_literal_block(self, node: Element) -> None:
        """Write a block of code."""
        before = len(self.body)
        try:
            super().visit_literal_block(node)
        except SkipNode:
            self.body[before:] = [part.replace("<pre>", '<pre tabindex="0">', 1) for part in self.body[before:]]
            raise


def _as_a_page(app: Sphinx, name: str, source: list[str]) -> None:
    source[0] = OUTSIDE.sub(r"\1", source[0])
    if name == root_doc:
        # Its lists are the menu, in their order; a page that it lacks is a warning, and that stops the build.
        menu: dict[str, list[str]] = {}
        for heading, words, page in SECTION.findall(source[0]):
            if heading:
                menu[heading] = []
            else:
                menu[list(menu)[-1]].append(f"{words} <{page}>")
        for heading, pages in menu.items():
            lines = ["", "", "```{toctree}", ":hidden:", f":caption: {heading}", "", *pages, "```"]
            source[0] += "\n".join(lines)


def _tidied(app: Sphinx, error: Exception | None) -> None:
    if error is not None:
        return
    licence = distribution("sphinx").read_text("licenses/LICENSE.rst")
    if licence is None:
        raise ExtensionError("the licence of the generator's scripts is not where it was")
    static = Path(app.outdir) / "_static"
    # The scripts of the search are the generator's own.
    (static / "search.LICENSE.txt").write_text(licence)
    for unused in [*(static / name for name in UNUSED), static.parent / ".buildinfo", static.parent / "objects.inv"]:
        unused.unlink()
    (static.parent / "_sources").rmdir()


def setup(app: Sphinx) -> None:
    """What Sphinx calls at the start."""
    app.set_translator("html", Readable)
    app.connect("source-read", _as_a_page)
    app.connect("build-finished", _tidied)
