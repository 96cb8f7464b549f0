"""Reports in a browser, narrow and wide, light, dark and on paper: nothing that axe-core finds, and drawings that can be read."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from cds.reports.html_renderer import as_html
from cds.reports.report_blocks import Report, Stacks, Table
from cds.reports.size_chart import mapped
from cds.reports.size_chart_geometry import panels
from cds.reports.transparency_report import transparency
from rules.testing.cases import load_cases
from rules.verification.invariants import load_claims
from tests.cds.reports.test_reports import REPORT
from tests.cds.web.pages.svg_contrast import hard_to_read
from tests.shipped_content import RULESET

LONG = [(f"row {number}", "x") for number in range(60)]
EVERY_BLOCK = replace(
    REPORT,
    blocks=[
        *REPORT.blocks,
        Stacks("Shares", ("best", "good", "fair", "poor", "none"), [("first", (1, 2, 3, 4, 5)), ("empty", (0,) * 5)]),
        Table("Many rows", ("where", ""), LONG),
    ],
)


def _map() -> Report:
    two = {"neck_height_mm": [65.0, 82.0], "neck_circumference_mm": [380.0, 420.0], "apparent_age_group": ["adult"] * 2}
    return mapped(RULESET, panels(RULESET, pl.DataFrame({**two, "bed_rest": [True, False]})))


REPORTS = {
    "every kind of block": lambda: EVERY_BLOCK,
    "decision map": _map,
    "transparency": lambda: transparency(RULESET, load_cases(RULESET), load_claims(RULESET)),
}


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("name", REPORTS)
def test_nobody_is_shut_out_of_a_report(browser: Browser, tmp_path: Path, name: str) -> None:
    file = tmp_path / "report.html"
    file.write_text(as_html(REPORTS[name]()), encoding="utf-8")
    looks: list[tuple[Any, Any]] = [("screen", "light"), ("screen", "dark"), ("print", "dark")]
    with browser.new_context() as context:
        page = context.new_page()
        page.goto(file.as_uri())
        assert page.locator("h2").count() > 1
        for width in (360, 768, 1440):
            page.set_viewport_size({"width": width, "height": 900})
            for media, scheme in looks:
                page.emulate_media(media=media, color_scheme=scheme)
                found = Axe().run(page).response["violations"]
                assert [f"{one['id']}: {node['target']}" for one in found for node in one["nodes"]] == [], width
                assert hard_to_read(page) == [], (width, media, scheme)
                if media == "screen" or width > 360:  # No paper is as narrow as a phone, and on paper tables are whole.
                    assert page.evaluate("document.documentElement.scrollWidth") <= width, media


@pytest.mark.browser
def test_a_report_is_dark_where_the_reader_is(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(as_html(EVERY_BLOCK), encoding="utf-8")
    with browser.new_context(color_scheme="dark") as context:
        page = context.new_page()
        page.goto(file.as_uri())
        ground = "getComputedStyle(document.body).backgroundColor"
        dark = page.evaluate(ground)
        page.emulate_media(color_scheme="light")
        assert page.evaluate(ground) == "rgb(255, 255, 255)" != dark
        assert page.get_by_role("group", name="Many rows").is_hidden()
        page.get_by_text("60 rows").click()
        assert page.get_by_role("group", name="Many rows").is_visible()


@pytest.mark.browser
def test_every_picture_fits_a_phone(browser: Browser, tmp_path: Path) -> None:
    """At 360 px, and no letter of it smaller than 11 px."""
    file = tmp_path / "report.html"
    file.write_text(as_html(EVERY_BLOCK), encoding="utf-8")
    with browser.new_context(viewport={"width": 360, "height": 800}) as context:
        page = context.new_page()
        page.goto(file.as_uri())
        sizes = page.locator(".wide > svg").evaluate_all(
            """all => all.map(one => [one.parentElement.scrollWidth <= one.parentElement.clientWidth,
                ...[...one.querySelectorAll("text")].map(text => {
                  const box = text.getBoundingClientRect(), frame = one.getBoundingClientRect();
                  const scale = frame.width / one.viewBox.baseVal.width;
                  return box.left >= frame.left - 1 && box.right <= frame.right + 1
                    && parseFloat(getComputedStyle(text).fontSize) * scale >= 11;
                })])"""
        )
        assert len(sizes) == 4 and all(len(one) > 2 and all(one) for one in sizes), sizes
