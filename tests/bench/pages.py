"""The bedside page in Chromium: what it weighs, when it is first painted on a slow line, and how soon a keystroke is answered."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from statistics import median

from playwright.sync_api import Browser, Page, sync_playwright

from tests.bench.measured import Measured
from tests.cds.live_service import running

MOST_BYTES = 150_000
MOST_PAINT_MS = 1000
MOST_ANSWER_MS = 100
KBIT_A_SECOND, LATENCY_MS = 400, 100
"""The slow line, made by the browser's own throttling."""
LOADS, KEYSTROKES = 5, 40

_FIELDS = {"age_years": "41", "neck_circumference_mm": "380", "neck_height_mm": "66."}

# Of a keystroke: from the event in the field to the answer in the page, painted.
_WATCH = """
() => {
  window.answers = [];
  let typed = 0;
  document.addEventListener("input", () => { typed = performance.now(); }, true);
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.target.id !== "answer") return;
    requestAnimationFrame(() => {
      window.answers.push(performance.now() - typed);
      document.documentElement.dataset.answers = window.answers.length;
    });
  });
}
"""


def measure() -> Iterator[Measured]:
    """Weight, first paint and answer, each with its bar."""
    chromium = shutil.which("chromium") or shutil.which("google-chrome")
    with running(NUQUE_CATALOGUE="demo_bundles/catalogue.yaml") as live, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        address = f"{live.url}/bedside"
        loads = [first_load(browser, address) for _ in range(LOADS)]
        answers = keystrokes(browser, address)
        browser.close()
    weight, paint, answer = max(bytes_ for bytes_, _ in loads), median(at for _, at in loads), median(answers)
    yield Measured.alone(
        "bedside page with all that it loads",
        weight / 1000,
        "kB",
        bar=f"under {MOST_BYTES / 1000:g} kB",
        kept=weight < MOST_BYTES,
    )
    yield Measured.alone(
        f"first paint of it at {KBIT_A_SECOND} kbit/s and {LATENCY_MS} ms latency, nothing in the cache",
        paint,
        "ms",
        bar=f"under {MOST_PAINT_MS} ms",
        kept=paint < MOST_PAINT_MS,
    )
    yield Measured.alone(
        f"from a keystroke to the answer in the page, median of {len(answers)} (most: {max(answers):.0f} ms)",
        answer,
        "ms",
        bar=f"under {MOST_ANSWER_MS} ms",
        kept=answer < MOST_ANSWER_MS,
    )


def first_load(browser: Browser, address: str) -> tuple[int, float]:
    """Bytes over the line, and milliseconds to the first paint of content, with an empty cache on the slow line."""
    with browser.new_context(viewport={"width": 360, "height": 740}) as context:
        page = context.new_page()
        line = context.new_cdp_session(page)
        line.send("Network.enable")
        each_way = KBIT_A_SECOND * 1000 / 8
        line.send(
            "Network.emulateNetworkConditions",
            {"offline": False, "latency": LATENCY_MS, "downloadThroughput": each_way, "uploadThroughput": each_way},
        )
        page.goto(address)
        page.wait_for_load_state("networkidle")
        sizes = page.evaluate("performance.getEntries().map((one) => one.transferSize || 0)")
        painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
        return sum(sizes), float(painted)


def keystrokes(browser: Browser, address: str) -> list[float]:
    """Milliseconds from each of ``KEYSTROKES`` to its answer; each waits for the one before."""
    with browser.new_context(viewport={"width": 360, "height": 740}) as context:
        page = context.new_page()
        page.goto(address)
        page.evaluate(_WATCH)
        seen = 0
        for name, value in _FIELDS.items():
            page.locator(f"input[name={name}]").fill(value)
            seen = _answered(page, seen + 1)
        page.keyboard.press("End")
        for number in range(KEYSTROKES):
            # A digit more, a digit less: each is another height.
            page.keyboard.press("Backspace" if number % 2 else "7")
            seen = _answered(page, seen + 1)
        found: list[float] = page.evaluate("window.answers")
        return found[-KEYSTROKES:]


def _answered(page: Page, number: int) -> int:
    """``number``, once so many answers stand in the page."""
    page.locator(f'html[data-answers="{number}"]').wait_for(state="attached")
    return number
