"""Every page, taken from the routes: nothing that axe-core finds, and texts of drawings that can be read.

Narrow, middling and wide; light, dark and on paper.
"""

from __future__ import annotations

import json
import pkgutil
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from fastapi import APIRouter
from fastapi.routing import APIRoute
from playwright.sync_api import Browser, Page

import cds.web.pages
from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds.live_service import serving
from tests.cds.web.pages.svg_contrast import contrasts, hard_to_read

WIDTHS = (360, 768, 1440)
PATIENT = {"neck_height_mm": "67", "neck_circumference_mm": "381", "age_years": "43", "tracheostomy": "true"}
WORN = {"size.line": "adult", "size.height_band": "H3", "size.girth_band": "G2", "chin_over_edge": "true"}

OPENED = {
    "GET /bedside": ["/bedside"],
    "GET /fit": ["/fit"],
    "GET /print/downtime": ["/print/downtime"],
    "GET /rules": ["/rules?q=halo"],
    "GET /rules/changes": ["/rules/changes"],
    "GET /rules/map": ["/rules/map", "/rules/map?cohort=march"],
    "GET /rules/versions": ["/rules/versions"],
    "GET /rules/parameters": ["/rules/parameters"],
    "GET /rules/{rule_id}": ["/rules/sizing.girth.measured_g4", "/rules/skin.braden.mild"],
    "GET /try": ["/try?patient=03"],
}
POSTED = {
    "POST /bedside": PATIENT,
    "POST /bedside/link": {"link": "AAAA"},
    "POST /fit": WORN,
    "POST /fit/start": PATIENT,
    "POST /print/plan": PATIENT,
    "POST /print/staff": PATIENT,
    "POST /print/leaflet": {**PATIENT, "collar_in_place": "true", "discharge_planned": "true", "leaflet": "es"},
}
PRESSED = {"POST /try": ("/try?patient=03", "button.main")}
NO_PAGES = {
    "POST /bedside/answer": "a part of the bedside page",
    "POST /fit/record": "a file to save",
    "GET /bedside/keeper.js": "a script",
    "GET /docs/guide": "leads to the next",
    "GET /": "leads to the bedside page",
    "GET /docs/guide/{name:path}": "all of them are looked at in test_guide.py",
    "GET /static/{name}": "what pages load",
}


def _routes() -> set[str]:
    modules = [import_module(found.name) for found in pkgutil.walk_packages(cds.web.pages.__path__, "cds.web.pages.")]
    routers = [one for module in modules for one in vars(module).values() if isinstance(one, APIRouter)]
    routes = [route for router in routers for route in router.routes if isinstance(route, APIRoute)]
    return {f"{method} {route.path}" for route in routes for method in route.methods}


def test_no_page_is_forgotten() -> None:
    assert _routes() == {*OPENED, *POSTED, *PRESSED, *NO_PAGES}


CELLS = [
    {"neck_height_mm": [height, height + 5], "neck_circumference_mm": [380, 400], "patients": patients}
    for height, patients in ((45, 1), (60, 300), (85, 20))
]
MARCH = {
    "title": "Decision map",
    "about": "rules of March",
    "situations": [{"known": {"apparent_age_group": "adult", "bed_rest": True}, "cells": CELLS}],
}
SPRING = {
    "title": "Comparison of two states of the rules",
    "about": "old: rules of winter | new: rules of spring",
    "written": [{"section": "parameter", "name": "finger_width_mm", "how": "changed", "words": ["value: 18 -> 19"]}],
    "patients": 9,
    "changed": 1,
    "kinds": {"size": 1},
    "decisions": [
        {"patient": "generated 1", "facts": {"age_years": 41}, "kinds": ["size"], "words": ["size: H2 -> H3"]}
    ],
}
"""As `nuque rules map` and `nuque rules compare` write them; `test_versions_and_cohorts.py` has them from the commands."""


@pytest.fixture(scope="module")
def address(store_url: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """With an overlay and results, so that there is something to see on the pages of changes and of versions."""
    demo, kept = Path("demo_bundles"), tmp_path_factory.mktemp("kept")
    for name, result in (("march", MARCH), ("spring", SPRING)):
        (kept / f"{name}.json").write_text(json.dumps(result), encoding="utf-8")
    settings = Settings(catalogue=demo / "catalogue.yaml", overlays=(demo / "site.yaml",), results=kept)
    with serving(create_app(settings)) as url:
        yield url


def _open(page: Page, address: str, name: str, path: str) -> None:
    if name in PRESSED:
        path, pressed = PRESSED[name]
        page.goto(address + path)
        page.click(pressed)
        page.locator("[data-part=card]").first.wait_for()
    elif name in POSTED:
        page.goto(f"{address}/bedside")
        with page.expect_navigation():
            page.evaluate(
                """([action, fields]) => {
                    const form = Object.assign(document.createElement("form"), { method: "post", action });
                    for (const [name, value] of Object.entries(fields))
                        form.append(Object.assign(document.createElement("input"), { type: "hidden", name, value }));
                    document.body.append(form);
                    form.submit();
                }""",
                [path, POSTED[name]],
            )
    else:
        page.goto(address + path)
    # One fold of each kind; the others are made by the same lines of the template.
    page.locator("details").evaluate_all("all => all.slice(0, 8).forEach(one => { one.open = true })")


def _violations(page: Page, only: str | None = None) -> list[str]:
    options = None if only is None else {"runOnly": [only]}
    found = Axe().run(page, options=options).response["violations"]
    return [f"{one['id']}: {node['target']}" for one in found for node in one["nodes"]]


_LOW = """
() => [...document.querySelectorAll("a, button, summary, select, textarea, input:not([type=hidden])")]
  .filter((one) => one.checkVisibility() && !one.closest(".skip, .hidden"))
  // In a sentence a link is as high as its line (WCAG 2.2, 2.5.8).
  .filter((one) => getComputedStyle(one).display !== "inline" || one.textContent === one.parentElement.textContent)
  .map((one) => [one.outerHTML.slice(0, 100), (one.closest(".check, .choice label") || one).getBoundingClientRect().height])
  .filter(([, height]) => height < 44)
"""


PAGES = [(name, path) for name, paths in OPENED.items() for path in paths]
PAGES += [(name, name.partition(" ")[2]) for name in (*POSTED, *PRESSED)]
PAGES += [("a page that is refused", "/rules/no.such.rule")]


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize(("name", "path"), PAGES, ids=lambda one: one)
def test_nobody_is_shut_out(browser: Browser, address: str, name: str, path: str) -> None:
    with browser.new_context(color_scheme="light") as context:
        page = context.new_page()
        _open(page, address, name, path)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(media="screen", color_scheme="light")
            assert _violations(page) == [], width
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert hard_to_read(page) == [], width
            if width == WIDTHS[0]:
                assert page.evaluate(_LOW) == [], "lower than a gloved finger needs"
            # Dark and on paper the same elements stand there in other colours.
            for media, scheme in (("screen", "dark"), ("print", "light")):
                page.emulate_media(media=media, color_scheme=scheme)  # type: ignore[arg-type]
                assert _violations(page, "color-contrast") == [], (width, media)
                assert hard_to_read(page) == [], (width, media)


@pytest.mark.browser
def test_the_check_of_drawings_finds_what_cannot_be_read(browser: Browser) -> None:
    drawn = """<body style="background:#fff"><svg width="300" height="60">
      <rect width="100" height="60" fill="#777"/><text x="20" y="30" fill="#666">on grey</text>
      <text x="120" y="30" fill="#aaa">faint</text><text x="220" y="30" fill="#000">clear</text></svg>"""
    with browser.new_context() as context:
        page = context.new_page()
        page.set_content(drawn)
        assert [one.partition(":")[0] for one in hard_to_read(page)] == ["on grey", "faint"]
        # Black on white is 21 to 1 by the definition of contrast ratio in WCAG 2.
        assert dict(contrasts(page))["clear"] == pytest.approx(21)
