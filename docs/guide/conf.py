"""Sphinx makes the guide from the pages in ``docs/``: plain Markdown, a theme of ours, nothing from elsewhere."""

import re
from importlib.metadata import distribution
from pathlib import Path

from docutils import nodes
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
"""Links to files that are not pages of the guide: their words stay."""

SECTION = re.compile(r"^## (.+)$|\[([^\]]+)\]\(([^)]+)\.md\)", re.MULTILINE)
"""A heading of index.md, or a link to a page."""


MOST_ROWS = 40
"""A longer table is folded: what stands below it is not a hundred screens away."""

WORDY = 100
"""Signs in a row, on average, from which a table is read row by row and not compared column by column."""


class Readable(HTML5Translator):
    """What is wider than a phone scrolls by itself, also by keyboard; or, if it is of words, stands one below the other there."""

    def visit_table(self, node: Element) -> None:
        """Open a table in a box of its own."""
        rows = [row for body in node.findall(nodes.tbody) for row in body.findall(nodes.row)]
        self._labels = [entry.astext() for head in node.findall(nodes.thead) for entry in head.findall(nodes.entry)]
        wordy = sum(len(row.astext()) for row in rows) >= WORDY * len(rows) and len(self._labels) > 2
        self._is_long = len(rows) > MOST_ROWS
        if self._is_long:
            self.body.append(f"<details><summary>{len(rows)} rows</summary>")
        kind = "wide told" if wordy else "wide"
        self.body.append(f'<div class="{kind}" role="group" aria-label="Table" tabindex="0">')
        super().visit_table(node)

    def depart_table(self, node: Element) -> None:
        """Close both."""
        super().depart_table(node)
        self.body.append("</div>\n" + "</details>\n" * self._is_long)

    def visit_entry(self, node: Element) -> None:
        """Open a cell, which bears the words at the head of its column."""
        place = node.parent.index(node)
        super().visit_entry(node)
        if place < len(self._labels) and not isinstance(node.parent.parent, nodes.thead):
            self.body[-1] = self.body[-1].replace("<td", f'<td data-label="{self.attval(self._labels[place])}"', 1)

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
