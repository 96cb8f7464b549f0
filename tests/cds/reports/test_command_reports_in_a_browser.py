"""The reports as their commands write them, in a browser: something in each part, for every reader, on screen and paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from click.testing import CliRunner
from playwright.sync_api import Browser, Page

from cds.cli import main
from cds.reports.html_renderer import as_html
from cds.reports.report_blocks import Report, Table
from tests.cds.cohorts.exports import demo_bundles, write_export
from tests.cds.web.pages.svg_contrast import hard_to_read
from tests.rules.small import FRAME, RULES

pytestmark = [pytest.mark.browser, pytest.mark.slow]

WIDTHS = (360, 768, 1440)
A4 = 718
"""Width in CSS pixels of an A4 page between the margins that Chromium leaves."""

CASE = """cases:
  - {name: low, shows: a, source: b, facts: {height_mm: 50, asleep: true}, fires: [small.a], silent: [small.b]}
"""
CLAIMS = """claims:
  - {id: band-rises, says: more is never less, rising: {axis: band, fact: height_mm}}
  - {id: band-falls, says: more is never more, rising: {axis: band, fact: weight_kg}}
"""


def _knowledge(folder: Path, edge: str) -> Path:
    for name, text in {
        "frame.yaml": FRAME.replace("edge_mm: {value: 60", f"edge_mm: {{value: {edge}"),
        "small.yaml": f"rules:{RULES}",
        "cases/one.yaml": CASE,
        "claims/one.yaml": CLAIMS,
    }.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def _on_small_rules(*arguments: str) -> Callable[[Path], Path]:
    """Makes the report of a command over a small rule set; ``OLD`` stands for the same with another edge."""

    def made(folder: Path) -> Path:
        old, new, page = _knowledge(folder / "old", "60"), _knowledge(folder / "new", "58"), folder / "report.html"
        given = [str(old) if one == "OLD" else one for one in arguments]
        _run(*given, "--knowledge", str(new), "--html", str(page))
        return page

    return made


def _replayed(folder: Path) -> Path:
    """Seven invented patients, decided by the rules as shipped."""
    bundles = demo_bundles()[:7]
    export = write_export(folder / "export", [entry["resource"] for one in bundles for entry in one["entry"]])
    _run("replay", str(export), "--out", str(folder / "out"), "--at", "2026-03-02T10:00Z", "--workers", "1")
    return folder / "out" / "summary.html"


def _mapped(folder: Path) -> Path:
    """The map of the rules as shipped: the widest tables there are."""
    _run("map", "--html", str(folder / "report.html"))
    return folder / "report.html"


def _run(*arguments: str) -> None:
    result = CliRunner().invoke(main, ["rules", *arguments])
    assert result.exit_code in (0, 1), result.output


REPORTS: dict[str, tuple[Callable[[Path], Path], tuple[str, ...]]] = {
    "check": (_on_small_rules("check"), ("2 findings in 17 rules", "frame.yaml:", "unused")),
    "compare": (
        _on_small_rules("compare", "--against", "OLD", "--generated", "300"),
        (
            "1 parameter changed",
            "value: 60 -> 58",
            "of 301 patients decided otherwise",
            "sizes to try: A H -> A H, B H",
        ),
    ),
    "prove": (_on_small_rules("prove"), ("band-rises", "band-falls", "proved")),
    "test": (_on_small_rules("test"), ("1 of 1 case hold", "small.danger", "Comparisons that were never decisive")),
    "replay": (
        _replayed,
        ("7 patients decided", "Inspect the skin under and around the collar", "How often each fact is missing"),
    ),
}
"""How each report is made, and what stands in it of what went in."""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    makers = {"map": _mapped, **{name: make for name, (make, _) in REPORTS.items()}}
    return {name: make(tmp_path_factory.mktemp(name)) for name, make in makers.items()}


def _empty_parts(page: Page) -> list[str]:
    """The headings under which nothing stands, and "report" where there is no heading at all."""
    found: list[str] = page.evaluate(
        """() => {
          const parts = [...document.querySelectorAll("section")];
          const filled = (part) => part.querySelector("tbody td, svg rect, .tree li, p")
            || part.querySelector("pre")?.textContent.trim();
          const empty = parts.filter((part) => !filled(part)).map((part) => part.querySelector("h2").textContent);
          return parts.length && document.querySelector(".summary").textContent.trim() ? empty : ["report", ...empty];
        }"""
    )
    return found


def _violations(page: Page, only: str | None = None) -> list[str]:
    options = None if only is None else {"runOnly": [only]}
    found = Axe().run(page, options=options).response["violations"]
    return [f"{one['id']}: {node['target']}" for one in found for node in one["nodes"]]


@pytest.mark.parametrize("name", REPORTS)
def test_a_report_can_be_read_by_everybody(browser: Browser, pages: dict[str, Path], name: str) -> None:
    with browser.new_context() as context:
        page = context.new_page()
        problems: list[str] = []
        page.on("console", lambda message: problems.append(message.text))
        page.goto(pages[name].as_uri())
        assert _empty_parts(page) == []
        said = " ".join((page.locator("main").text_content() or "").replace("\N{ZERO WIDTH SPACE}", "").split())
        assert [words for words in REPORTS[name][1] if words not in said] == []
        page.locator("details").evaluate_all("all => all.forEach(one => { one.open = true })")
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            for scheme, only in (("light", None), ("dark", "color-contrast")):
                page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                assert _violations(page, only) == [], (width, scheme)
                assert hard_to_read(page) == [], (width, scheme)
            assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert problems == []


FITTING = {"check", "compare", "prove"}
"""Reports in which nothing is wider than a phone."""


@pytest.mark.parametrize("name", REPORTS)
def test_what_is_wider_than_the_screen_is_reached_and_moved_by_keyboard(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    with browser.new_context(viewport={"width": 360, "height": 900}) as context:
        page = context.new_page()
        page.goto(pages[name].as_uri())
        for fold in page.locator("section > details > summary").all():
            fold.focus()
            page.keyboard.press("Enter")
        assert page.locator("section > details:not([open])").count() == 0
        wide: list[str] = page.evaluate(
            "[...document.querySelectorAll('main *')].filter(one => one.scrollWidth > one.clientWidth + 1"
            " && getComputedStyle(one).overflowX === 'auto').map(one => one.getAttribute('aria-label'))"
        )
        reached = []
        page.evaluate("document.activeElement.blur()")
        for _ in range(400):
            page.keyboard.press("Tab")
            label = page.evaluate("document.activeElement.getAttribute('aria-label') || document.activeElement.tagName")
            if label == "BODY":
                break
            reached.append(label)
            if label in wide and reached.count(label) == 1:
                page.keyboard.press("ArrowRight")
                page.wait_for_function("document.activeElement.scrollLeft > 0")
        assert bool(wide) == (name not in FITTING) and set(wide) <= set(reached)


@pytest.mark.parametrize("name", [*REPORTS, "map"])
def test_nothing_is_cut_off_on_paper(browser: Browser, pages: dict[str, Path], name: str) -> None:
    with browser.new_context(viewport={"width": A4, "height": 1000}) as context:
        page = context.new_page()
        page.goto(pages[name].as_uri())
        rows = page.locator("tbody tr").count()
        page.emulate_media(media="print")
        assert page.locator("tbody tr:visible").count() == rows
        assert (
            page.locator(".wide").evaluate_all(
                "all => all.filter(one => one.scrollWidth > one.clientWidth + 1).map(one => one.ariaLabel)"
            )
            == []
        )
        for paper in ("A4", "Letter"):
            assert 1 <= len(re.findall(rb"/Type /Page\b", page.pdf(format=paper))) <= 25


@pytest.mark.parametrize(
    ("blocks", "empty"), [([], ["report"]), ([Table("Rows", ("a",), []), Table("None", ("a",), [], empty="")], None)]
)
def test_the_check_sees_an_empty_report(browser: Browser, tmp_path: Path, blocks: list[Any], empty: Any) -> None:
    file = tmp_path / "report.html"
    file.write_text(
        as_html(Report("Nothing", "about", "summary", 0, blocks, {})).replace("<p></p>", ""), encoding="utf-8"
    )
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(file.as_uri())
        assert _empty_parts(page) == (empty or ["None"])
