"""While nothing is decided, programs are told in JSON and browsers by a page that loads itself again."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from playwright.sync_api import Browser

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.dependencies import Withheld
from tests.cds.live_service import serving
from tests.cds.web.pages.test_in_a_browser import violations

WHY = Withheld.CHECKING
HTML = {"Accept": "text/html,application/xhtml+xml"}


@pytest.fixture
def app(store_url: str) -> FastAPI:
    return create_app(Settings())


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    with TestClient(app) as client:
        # Once it runs: at its start the service would look for a verdict, and find one.
        app.state.service.withheld = WHY
        yield client


@pytest.mark.parametrize("path", ["/bedside", "/fit", "/rules", "/rules/sizing.line.adult", "/try"])
def test_a_browser_is_shown_a_page_that_comes_again(client: TestClient, path: str) -> None:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == 503
    assert answer.headers["content-type"].startswith("text/html")
    assert "The rules are being checked. Nothing was decided." in answer.text
    assert answer.headers["Refresh"] == "10" and answer.headers["Retry-After"] == "30"
    assert "script-src 'self'" in answer.headers["Content-Security-Policy"]
    assert f'href="{path}"' in answer.text


def test_what_was_posted_is_not_lost_by_loading_again(client: TestClient) -> None:
    answer = client.post("/bedside", data={"age_years": "41"}, headers=HTML)
    assert answer.status_code == 503 and "Go back: what you typed is still there." in answer.text
    assert "Refresh" not in answer.headers and "41" not in answer.text


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_after_a_refusal_nobody_is_told_to_wait(client: TestClient, app: FastAPI, method: str) -> None:
    """Nobody finishes that check: whoever reads the page is told whom to tell, and comes again to no false promise."""
    app.state.service.withheld = Withheld.REFUSED
    answer = client.request(method, "/bedside", headers=HTML)
    assert answer.status_code == 503
    assert "Go by the downtime sheet of your ward." in answer.text and "Tell the IT service desk" in answer.text
    for promise in ("Not ready yet", "being checked", "in a minute", "the log", "reload"):
        assert promise not in answer.text
    assert ("Refresh" in answer.headers) == (method == "GET")
    assert client.get("/facts").json()["issue"][0]["diagnostics"] == f"{Withheld.REFUSED}; nothing was decided"


@pytest.mark.parametrize("path", ["/facts", "/cds-services", "/rules"])
def test_a_program_is_told_in_json(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 503 and answer.headers["Retry-After"] == "30"
    assert answer.json()["issue"][0]["diagnostics"] == f"{WHY}; nothing was decided"


def test_the_page_has_its_style_and_health_answers(client: TestClient) -> None:
    assert client.get("/static/pages.css").status_code == 200
    assert client.get("/health/live").status_code == 200


@pytest.mark.browser
@pytest.mark.slow
def test_once_the_content_is_checked_the_page_is_there_by_itself(browser: Browser, app: FastAPI) -> None:
    with serving(app) as address, browser.new_context(viewport={"width": 360, "height": 640}) as context:
        app.state.service.withheld = WHY
        page = context.new_page()
        page.goto(f"{address}/bedside")
        assert page.locator("h1").inner_text() == "Not ready yet"
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        app.state.service.withheld = None
        page.locator("h1", has_text="Collar at the bedside").wait_for(timeout=600_000)
