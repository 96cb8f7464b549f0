"""One report, shown as text and as a page: both say the same, and the page loads nothing and lets no text become markup."""

import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from cds.reports.html_renderer import as_html
from cds.reports.report_blocks import (
    Bar,
    Bars,
    Grid,
    GridCell,
    Listing,
    Node,
    NumberLine,
    Report,
    Stretch,
    Table,
    Tree,
    Words,
)
from cds.reports.svg import COLOURS, SHADES
from cds.reports.text_renderer import as_text

REPORT = Report(
    title="A report",
    about="about <this>",
    summary="3 findings.",
    findings=3,
    blocks=[
        Words("A paragraph & more"),
        Table("Rows", ("where", "what"), [("a.yaml:1", "x < 3"), ("b.yaml:22", "<script>alert(1)</script>")]),
        Table("No rows", ("where",), [], empty="nothing at all"),
        Bars("Parts", [Bar("first", 3, 4), Bar("empty", 0, 0)], "parts done"),
        Grid(
            "Squares", {"topic": [GridCell("one", "good"), GridCell("two", "bad")]}, {"good": "fine", "bad": "broken"}
        ),
        Tree("Why", [Node("top", "good", (Node("left", "bad"), Node("right", "doubt")))]),
        Listing("Copy", "facts:\n  age_years: 3"),
        NumberLine("Along height", "mm", [Stretch(5, 47.9, "H1"), Stretch(48, 200, "H2")], 60),
    ],
)


class Page(HTMLParser):
    """Tags opened and closed, addresses asked for, text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.addresses, self.words = [], [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag not in ("meta", "wbr", "rect", "path"):
            self.open.append(tag)
        self.addresses += [value for name, value in attrs if name in ("src", "href", "action", "xlink:href")]

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)


def test_the_page_is_self_contained_and_well_formed():
    html = as_html(REPORT)
    page = Page(html)
    assert page.open == []
    assert page.addresses == []
    assert "script" not in page.tags and "link" not in page.tags
    assert "url(" not in html and "@import" not in html
    assert page.tags.count("svg") == 3


def test_text_of_the_knowledge_stays_text():
    words = "".join(Page(as_html(REPORT)).words)
    assert "<script>alert(1)</script>" in words
    assert "about <this>" in words


SAID = ("A paragraph & more", "x < 3", "nothing at all", "first", "topic", "left", "age_years: 3", "3 findings.")


@pytest.mark.parametrize("said", SAID)
def test_page_and_text_say_the_same(said):
    assert said in "".join(Page(as_html(REPORT)).words)
    assert said in as_text(REPORT)


def test_text_counts_what_the_pictures_show():
    text = as_text(REPORT)
    assert "first  3 of 4 parts done" in text
    assert "topic: 1 fine, 1 broken" in text
    assert "48 to 200: H2   <- now" in text
    assert text.endswith("3 findings.")


def _linear(channel):
    share = channel / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def seen_as(colour, deficiency):
    """Linear RGB of ``colour`` for full colour blindness of one kind.

    Source: Vienot, Brettel and Mollon, Color Res Appl 1999;24:243-252 (protanopia, deuteranopia), from memory.
    """
    r, g, b = (_linear(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
    if deficiency == "none":
        return r, g, b
    long = 17.8824 * r + 43.5161 * g + 4.11935 * b
    middle = 3.45565 * r + 27.1554 * g + 3.86714 * b
    short = 0.0299566 * r + 0.184309 * g + 1.46709 * b
    if deficiency == "protanopia":
        long = 2.02344 * middle - 2.52581 * short
    else:
        middle = 0.494207 * long + 1.24827 * short
    return (
        0.0809444479 * long - 0.130504409 * middle + 0.116721066 * short,
        -0.0102485335 * long + 0.0540193266 * middle - 0.113614708 * short,
        -0.000365296938 * long - 0.00412161469 * middle + 0.693511405 * short,
    )


def distance(a, b):
    return sum((max(x, 0) ** 0.5 - max(y, 0) ** 0.5) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5


@pytest.mark.parametrize("deficiency", ["none", "protanopia", "deuteranopia"])
def test_states_and_neighbouring_shades_stay_apart_under_colour_blindness(deficiency):
    states = list(COLOURS.values())
    pairs = [(a, b) for index, a in enumerate(states) for b in states[:index]] + list(pairwise(SHADES))
    assert len(pairs) > 5
    for a, b in pairs:
        assert distance(seen_as(a, deficiency), seen_as(b, deficiency)) > 0.15, (a, b)


@pytest.mark.browser
def test_the_page_in_a_browser_asks_for_nothing_and_fits_its_width(browser, tmp_path):
    file = tmp_path / "report.html"
    file.write_text(as_html(REPORT), encoding="utf-8")
    page = browser.new_page(viewport={"width": 800, "height": 600})
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    problems = []
    page.on("console", lambda message: problems.append(message.text))
    page.goto(file.as_uri())
    assert asked == [file.as_uri()] and problems == []
    assert page.locator("svg").count() == 3
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert re.search("A report", page.title())
    page.close()
