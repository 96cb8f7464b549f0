"""Makes the pictures of the README out of the running service:  python -m tests.pictures  (needs Chromium)"""

from __future__ import annotations

import shutil
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from tests.cds.live_service import running

FOLDER = Path(__file__).parents[1] / "docs" / "pictures"
_PATIENT = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41"}
_YES = ("neck_line", "cannot_lie_flat")


def bedside() -> None:
    """The bedside page with an invented patient, as wide as it takes for two columns."""
    with running(NUQUE_CATALOGUE="demo_bundles/catalogue.yaml") as live, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1120, "height": 1120}, color_scheme="light")
        page.goto(f"{live.url}/bedside")
        for name, value in _PATIENT.items():
            page.fill(f"[name={name}]", value)
        page.evaluate("document.querySelector('details.group').open = true")
        for name in _YES:
            page.check(f"[name={name}][value=true]", force=True)
        page.wait_for_load_state("networkidle")
        page.evaluate(
            "document.querySelector('details.group').open = false; document.activeElement.blur(); scrollTo(0, 0)"
        )
        FOLDER.mkdir(exist_ok=True)
        taken = page.screenshot()
        browser.close()
    # Few colours are shown, and few bytes are kept in the history.
    Image.open(BytesIO(taken)).convert("RGB").quantize(32).save(FOLDER / "bedside.png", optimize=True)


if __name__ == "__main__":
    bedside()
