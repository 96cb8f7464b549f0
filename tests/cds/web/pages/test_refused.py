"""Whoever opens a page that is refused, or that fails, reads why as a page; programs get the OperationOutcome."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.pages import bedside, error_pages
from cds.web.pages.rendering import POLICY
from cds.web.pages.rulebook import rule_list
from tests.cds.live_service import serving
from tests.cds.web.pages.page_reader import PageReader
from tests.cds.web.pages.test_in_a_browser import violations

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
REFUSED = {
    "/nowhere": (404, "No page has this address."),
    "/print/plan": (405, "This page is made of what was typed, and nothing of that is kept."),
    "/fit/start": (405, "This page is made of what was typed, and nothing of that is kept."),
    "/cds-services/none": (405, "No page stands at this address: programs call it."),
    "/rules/no.such.rule": (404, "No rule is called 'no.such.rule'; /rules lists them"),
    "/rules/map?cohort=none": (404, "No cohort is called 'none'; /rules/map lists them"),
    "/docs/guide/none.html": (404, None),
}


@pytest.mark.parametrize("address", REFUSED)
def test_a_browser_is_told_by_a_page(client: TestClient, address: str) -> None:
    status, words = REFUSED[address]
    answer = client.get(address, headers=BROWSER)
    assert answer.status_code == status and answer.headers["content-type"] == "text/html; charset=utf-8"
    assert answer.headers["content-security-policy"] == POLICY
    page = PageReader(answer.text)
    assert len(page["problem"]) == 1 and (words is None or page["problem"] == [words])
    assert ("a", {"href": "/bedside"}) in page.tags
    assert "OperationOutcome" not in answer.text


def test_what_a_form_carries_and_nobody_can_read_is_told_by_a_page(client: TestClient) -> None:
    answer = client.post("/fit", data={"history": "nonsense"}, headers=BROWSER)
    assert answer.status_code == 400
    (problem,) = PageReader(answer.text)["problem"]
    assert problem.endswith("start the fit check anew at /fit")


@pytest.mark.parametrize(
    ("address", "headers"),
    [("/nowhere", {}), ("/docs/guide/none.html", {}), ("/fhir/ValueSet/none", BROWSER)],
)
def test_a_program_is_told_by_an_operation_outcome(client: TestClient, address: str, headers: dict[str, str]) -> None:
    answer = client.get(address, headers=headers)
    assert answer.status_code == 404 and answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize(
    ("address", "heading", "onward"),
    [
        ("/nowhere", "Nothing stands here", "/bedside"),
        ("/print/plan", "Begin with the form", "/bedside"),
        ("/fit/start", "Begin with the form", "/fit"),
        ("/cds-services/none", "Nothing stands here", "/bedside"),
        ("/rules/no.such.rule", "Nothing stands here", "/rules"),
        ("/docs/guide/none.html", "Nothing stands here", "/docs/guide/"),
    ],
)
def test_there_is_a_way_on(client: TestClient, address: str, heading: str, onward: str) -> None:
    page = PageReader(client.get(address, headers=BROWSER).text)
    assert ("a", {"class": "button", "href": onward}) in page.tags
    assert page["heading"] == [heading]


def test_an_address_that_is_named_is_a_link(client: TestClient) -> None:
    page = PageReader(client.get("/rules/map?cohort=none<b>", headers=BROWSER).text)
    assert ("a", {"href": "/rules/map"}) in page.tags and not any(tag == "b" for tag, _ in page.tags)
    text = client.post("/try", data={"patient": "99"}, headers=BROWSER).text
    assert 'begin anew at <a href="/try">/try</a>' in text


@pytest.mark.parametrize("name", ["changes", "map", "parameters", "versions"])
def test_a_program_is_told_of_what_is_a_page_only(client: TestClient, name: str) -> None:
    assert client.get(f"/rules/{name}", headers=BROWSER).status_code == 200
    answer = client.get(f"/rules/{name}", headers={"Accept": "application/json"})
    assert answer.status_code == 404 and "text/html" in answer.json()["issue"][0]["diagnostics"]
    assert "text/html" not in client.get("/rules/none", headers={"Accept": "application/json"}).text


@pytest.fixture
def broken(store_url: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[TestClient]:
    """A service in which the bedside page and the list of rules fail."""
    with TestClient(create_app(Settings())) as client:
        monkeypatch.setattr(bedside, "fact_form", _failing)
        monkeypatch.setattr(rule_list, "_holds", _failing)
        yield client


def _failing(*_: object) -> None:
    raise RuntimeError("Jane Invented, born 1950-01-01")


@pytest.mark.parametrize(("address", "onward"), [("/bedside", "/bedside"), ("/rules", "/rules")])
def test_where_the_service_fails_a_browser_is_told_what_to_do(broken: TestClient, address: str, onward: str) -> None:
    answer = broken.get(address, headers=BROWSER)
    assert answer.status_code == 500 and answer.headers["content-security-policy"] == POLICY
    page = PageReader(answer.text)
    assert page["heading"] == ["This did not work"] and ("a", {"class": "button", "href": onward}) in page.tags
    failed, again = page["problem"]
    assert "nothing was decided" in failed and "downtime sheet" in failed
    # By it whoever runs the service finds the call in the log.
    assert answer.headers["nuque-request"][:8] in again and "Jane" not in answer.text


def test_what_was_typed_is_said_to_be_there_still_where_the_service_fails(broken: TestClient) -> None:
    page = PageReader(broken.post("/bedside", data={"age_years": "41"}, headers=BROWSER).text)
    assert "Go back: what you typed is still there. Send it again once." in page["problem"]


@pytest.mark.parametrize("headers", [{}, {"Accept": "*/*"}])
def test_a_program_is_told_of_a_failure_by_an_operation_outcome(broken: TestClient, headers: dict[str, str]) -> None:
    """What the bedside page sends while somebody types counts as a program's: it shows its own words."""
    answer = broken.post("/bedside/answer", data={"age_years": "41"}, headers=headers)
    assert answer.status_code == 500 and "nothing was decided" in answer.json()["issue"][0]["diagnostics"]


def test_where_even_the_page_of_a_failure_fails_the_outcome_is_told(
    broken: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(error_pages, "page", _failing)
    answer = broken.get("/bedside", headers=BROWSER)
    assert answer.status_code == 500 and answer.json()["resourceType"] == "OperationOutcome"
    assert "Jane" not in answer.text


@pytest.mark.browser
def test_nobody_is_shut_out_of_the_page_of_a_failure(
    browser: Browser, store_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bedside, "fact_form", _failing)
    with serving(create_app(Settings())) as url, browser.new_context(viewport={"width": 360, "height": 700}) as context:
        page = context.new_page()
        page.goto(f"{url}/bedside")
        assert page.locator("h1").inner_text() == "This did not work"
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
            assert violations(page) == []
