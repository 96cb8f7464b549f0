"""The interactive description of the API opens in a real browser, with nothing loaded from elsewhere."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.cds.live_service import running

pytestmark = [pytest.mark.slow, pytest.mark.browser]


def test_the_page_shows_the_operations_without_internet(browser: Browser, tmp_path: Path) -> None:
    with running() as live:
        page = browser.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{live.url}/docs")
        page.get_by_text("/decisions").first.wait_for(timeout=30_000)
        page.screenshot(path=tmp_path / "page.png")
        page.close()
    assert all(url.startswith((live.url, "data:")) for url in asked), asked
