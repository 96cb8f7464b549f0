"""The interactive description of the API opens in a real browser, with nothing loaded from elsewhere."""

from __future__ import annotations

import hashlib
from importlib.resources import files
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser

from tests.cds.live_service import running


@pytest.mark.parametrize(
    ("name", "digest"),
    [
        ("swagger-ui-bundle.js", "e6a898692f2d768e807c3ba4626068a69a2c5dd960dd6c76f3e4d3a3de180af2"),
        ("swagger-ui.css", "5ed08757e53da3e026d6cbecc61fe5d43585c9560b302d534ad56692519a273d"),
    ],
)
def test_the_files_are_the_released_ones(client: TestClient, name: str, digest: str) -> None:
    """swagger-ui-dist 5.35.0 as its authors released it (npm), with its licence beside it."""
    assert hashlib.sha256(client.get(f"/docs/{name}").content).hexdigest() == digest
    licence = files("cds.web.routes") / "swagger_ui_files" / "LICENSE.txt"
    assert "Apache License" in licence.read_text()


@pytest.mark.slow
@pytest.mark.browser
def test_the_page_shows_the_operations_without_internet(browser: Browser, tmp_path: Path) -> None:
    with running() as live:
        page = browser.new_page()
        asked: list[str] = []
        page.on("request", lambda request: asked.append(request.url))
        page.goto(f"{live.url}/docs")
        problems: list[str] = []
        page.on("console", lambda message: problems.append(message.text) if message.type == "error" else None)
        page.get_by_text("/decisions").first.wait_for(timeout=30_000)
        page.screenshot(path=tmp_path / "page.png")
        page.close()
    assert problems == []
    assert all(url.startswith((live.url, "data:")) for url in asked), asked
