"""Whoever opens a page that is refused reads why as a page; programs get the OperationOutcome."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from cds.web.pages.rendering import POLICY
from tests.cds.web.pages.page_reader import PageReader

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
