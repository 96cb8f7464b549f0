"""Absolute links in answers: no call makes the service send anybody to a name of the caller's own."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds import ehr
from tests.cds.hook_calls import MEASURED, order_select

EVIL = {"Host": "evil.example"}
BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
INSIDE = "https://nuque.inside.example:8443/collars"


@pytest.fixture
def guarded(tmp_path: Path, store_url: str) -> Iterator[TestClient]:
    """A service that asks for tokens and has two addresses."""
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path),
        audiences=(ehr.BASE, INSIDE),
        public_url="https://pages.hospital.example",
        pseudonym_key="k" * 32,
        store_url=store_url,
    )
    with TestClient(create_app(settings), follow_redirects=False) as client:
        yield client


def signed(path: str, base: str = ehr.BASE) -> dict[str, str]:
    now = time.time()
    return {"Authorization": f"Bearer {ehr.token(ehr.claims(aud=base + path, iat=now, exp=now + 120))}"}


def every_path(client: TestClient) -> set[str]:
    published = client.get("/openapi.json").json()["paths"]
    named = {path.replace("{", "").replace("}", "") for path in published}
    return named | {
        "/docs",
        "/openapi.json",
        "/static/nuque.css",
        "/launch",
        "/launch/callback",
        "/metrics",
        "/try",
        "/fhir",
    }


def test_a_slash_too_many_is_no_address_and_leads_nowhere(client: TestClient) -> None:
    """A redirect would be to the Host of the call, by http."""
    paths = every_path(client)
    assert len(paths) > 30 and "/cds-services/collar-order-select" in paths
    for path in sorted(paths):
        for written in (f"{path}/", f"{path}//", f"//evil.example{path}/"):
            for method in ("GET", "POST"):
                answer = client.request(method, written, headers=EVIL, follow_redirects=False)
                assert answer.status_code == 404 and "location" not in answer.headers, (method, written)
                assert answer.json()["issue"][0]["code"] == "not-found"


@pytest.mark.parametrize("path", ["/bedside/", "/cds-services/", "/rules/", "/fhir/PlanDefinition/"])
def test_a_browser_is_told_of_a_slash_too_many_by_a_page(client: TestClient, path: str) -> None:
    answer = client.get(path, headers={**BROWSER, **EVIL}, follow_redirects=False)
    assert answer.status_code == 404 and "evil.example" not in answer.text
    assert answer.headers["content-type"] == "text/html; charset=utf-8" and "No page has this address." in answer.text


def test_a_signed_call_with_a_slash_too_many_is_not_sent_elsewhere(guarded: TestClient) -> None:
    path = "/cds-services/collar-order-select/"
    answer = guarded.post(path, json=order_select(*MEASURED), headers={**signed(path), **EVIL})
    assert answer.status_code == 404 and "location" not in answer.headers
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_the_redirects_that_there_are_name_no_host(client: TestClient) -> None:
    for path, leads in {"/": "/bedside", "/docs/guide": "/docs/guide/"}.items():
        answer = client.get(path, headers=EVIL, follow_redirects=False)
        assert answer.headers["location"] == leads


@pytest.mark.parametrize(
    ("host", "base"),
    [
        ("evil.example", ehr.BASE),
        ("cds.hospital.example", ehr.BASE),
        ("CDS.Hospital.Example", ehr.BASE),
        ("cds.hospital.example.evil.example", ehr.BASE),
        ("pages.hospital.example", ehr.BASE),
        ("nuque.inside.example:8443", INSIDE),
    ],
)
def test_links_of_fhir_answers_begin_with_an_address_that_the_site_set(
    guarded: TestClient, host: str, base: str
) -> None:
    def read(path: str) -> Any:
        answer = guarded.get(path, headers={**signed(path.partition("?")[0]), "Host": host})
        assert "evil" not in answer.text
        return answer.json()

    assert read("/fhir/metadata")["implementation"]["url"] == f"{base}/fhir"
    bundle = read("/fhir/CodeSystem?_count=1")
    assert [link["url"].partition("?")[0] for link in bundle["link"]] == [f"{base}/fhir/CodeSystem"] * 2
    assert bundle["entry"][0]["fullUrl"].startswith(f"{base}/fhir/CodeSystem/")


def test_the_public_address_stands_where_no_other_is_set(tmp_path: Path, store_url: str) -> None:
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path),
        public_url=ehr.BASE,
        pseudonym_key="k" * 32,
        store_url=store_url,
    )
    with TestClient(create_app(settings)) as client:
        answer = client.get("/fhir/metadata", headers={**signed("/fhir/metadata"), **EVIL})
    assert answer.json()["implementation"]["url"] == f"{ehr.BASE}/fhir"


def test_in_open_mode_links_name_this_machine_as_it_was_called_and_nobody_else(client: TestClient) -> None:
    local = TestClient(client.app, base_url="http://localhost:8000", client=("127.0.0.1", 5000))  # type: ignore[arg-type]
    assert local.get("/fhir/metadata").json()["implementation"]["url"] == "http://localhost:8000/fhir"
    assert local.get("/fhir/metadata", headers=EVIL).status_code == 403


def test_the_description_of_the_api_names_no_host(client: TestClient) -> None:
    answer = client.get("/openapi.json", headers=EVIL)
    assert "servers" not in answer.json() and "evil.example" not in answer.text
