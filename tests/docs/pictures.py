"""Makes the pictures of the README out of the running service:  make pictures  (needs Chromium)"""

from __future__ import annotations

import shutil
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from tests.cds.live_service import running

FOLDER = Path(__file__).parents[2] / "docs" / "pictures"
_PATIENT = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"}
_YES = ("neck_line", "cannot_lie_flat")


def take() -> None:
    """All pictures, out of one service with the invented catalogue."""
    FOLDER.mkdir(exist_ok=True)
    with running(NUQUE_CATALOGUE="demo_bundles/catalogue.yaml") as live, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        _kept(bedside(browser, live.url), "bedside.png")
        _kept(card(browser, live.url), "card.png")
        _kept(size_map(browser, live.url), "map.png")
        browser.close()


def bedside(browser: Browser, address: str) -> bytes:
    """The bedside page with an invented patient, as wide as it takes for two columns."""
    page = browser.new_page(viewport={"width": 1120, "height": 1120}, color_scheme="light")
    page.goto(f"{address}/bedside")
    for name, value in _PATIENT.items():
        page.fill(f"[name={name}]", value)
    page.evaluate("document.querySelector('details.group').open = true")
    for name in _YES:
        page.check(f"[name={name}][value=true]", force=True)
    page.locator("[data-part=stop]").first.wait_for()
    page.evaluate("document.querySelector('details.group').open = false; document.activeElement.blur(); scrollTo(0, 0)")
    return page.screenshot()


def card(browser: Browser, address: str) -> bytes:
    """The first card of an invented patient on the page that tries a hook."""
    page = browser.new_page(viewport={"width": 720, "height": 1120}, color_scheme="light")
    page.goto(f"{address}/try?patient=03")
    page.click("button.main")
    shown = page.locator("[data-part=card]").first
    shown.wait_for()
    return shown.screenshot()


def size_map(browser: Browser, address: str) -> bytes:
    """Which size an adult gets over height and circumference."""
    page = browser.new_page(viewport={"width": 480, "height": 1120}, color_scheme="light", device_scale_factor=1.5)
    page.goto(f"{address}/rules/map")
    return page.locator("[data-part=map]:has(h2:text-is('Adult')) svg").screenshot()


def _kept(taken: bytes, name: str) -> None:
    """Few colours are shown, and few bytes are kept in the history."""
    Image.open(BytesIO(taken)).convert("RGB").quantize(32).save(FOLDER / name, optimize=True)


if __name__ == "__main__":
    take()
