"""A page as its reader sees it: the texts of the parts that tests compare, read from the HTML."""

from __future__ import annotations

from html.parser import HTMLParser

_VOID = frozenset({"meta", "link", "input", "br", "img", "hr"})


class PageReader(HTMLParser):
    """Collects the text of every element marked with ``data-part``, by the mark, and every tag.

    ``texts`` has the same, and the text of each named text area, exactly as written.
    """

    def __init__(self, html: str) -> None:
        super().__init__()
        self.parts: dict[str, list[str]] = {}
        self.texts: dict[str, list[str]] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._open: list[tuple[str, str | None, list[str]]] = []
        self.feed(html)
        self.close()
        assert not self._open, f"never closed: {[tag for tag, _, _ in self._open]}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        if tag not in _VOID:
            named = given.get("name") if tag == "textarea" else None
            self._open.append((tag, given.get("data-part") or named, []))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        opened, part, texts = self._open.pop()
        assert opened == tag, f"</{tag}> closes <{opened}>"
        text = "".join(texts)
        if part is not None:
            self.parts.setdefault(part, []).append(" ".join(text.split()))
            self.texts.setdefault(part, []).append(text)
        if self._open:
            self._open[-1][2].append(text)

    def handle_data(self, data: str) -> None:
        if self._open:
            self._open[-1][2].append(data)

    def __getitem__(self, part: str) -> list[str]:
        """The texts of the parts marked ``part``, in the order of the page."""
        return self.parts.get(part, [])
