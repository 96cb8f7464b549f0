"""Who may open a page: this machine in open mode; with tokens, whom the site's proxy has signed in."""

from __future__ import annotations

import pkgutil
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

import cds.web.pages
from cds.bootstrap.app import create_app
from cds.security.loopback_guard import TrustSettingsError
from cds.settings import Settings
from cds.web.middleware.authentication import PAGES
from cds.web.pages.rendering import POLICY
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.web.pages.page_reader import PageReader

PROXY = ("10.0.0.7", 40000)


def _guarded(tmp_path: Path, **changed: Any) -> FastAPI:
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path),
        audiences=(ehr.BASE,),
        pseudonym_key="k" * 32,
        store_url=f"sqlite:///{tmp_path / 'own.sqlite3'}",
        **changed,
    )
    return create_app(settings, clock=lambda: AT)


@pytest.fixture
def behind_proxy(tmp_path: Path) -> Iterator[FastAPI]:
    yield _guarded(tmp_path, trusted_proxies=("10.0.0.0/24",), page_user_header="x-remote-user")


@pytest.mark.parametrize("path", PAGES)
def test_with_tokens_a_page_is_refused_in_words_until_the_site_names_a_proxy(tmp_path: Path, path: str) -> None:
    client = TestClient(_guarded(tmp_path), headers={"Accept": "text/html"})
    for answer in (client.get(path), client.post(path, data={"age_years": "4"}), client.get(f"{path}/anything")):
        assert answer.status_code == 403
        assert answer.headers["content-type"] == "text/html; charset=utf-8"
        assert answer.headers["content-security-policy"] == POLICY
        page = PageReader(answer.text)
        problem, *more = page["problem"]
        # Every way on would be refused as well; who reads what is about no patient has no chart to open it from.
        assert [given["href"] for tag, given in page.tags if tag == "a"] == ["#main"]
        assert bool(more) == path.startswith(("/rules", "/docs"))
        # Whoever stands at a bedside can set nothing, but can open the chart, or ask.
        assert "chart" in problem and "IT service desk" in problem and "NUQUE_" not in answer.text
        assert "Try" not in answer.text


def test_a_program_that_is_refused_a_page_reads_plain_words(tmp_path: Path) -> None:
    answer = TestClient(_guarded(tmp_path)).get("/bedside")
    assert answer.status_code == 403 and answer.headers["content-type"].startswith("text/plain")


@pytest.mark.parametrize("path", ["/nowhere", "/docs", "/facts"])
def test_a_person_without_a_token_reads_a_page_and_a_program_what_to_send(tmp_path: Path, path: str) -> None:
    client = TestClient(_guarded(tmp_path))
    shown = client.get(path, headers={"Accept": "text/html"})
    assert shown.status_code == 401 and shown.headers["www-authenticate"] == "Bearer"
    assert shown.headers["content-security-policy"] == POLICY
    (problem,) = PageReader(shown.text)["problem"]
    assert "chart" in problem and "JWT" not in shown.text
    assert "JWT" in client.get(path).json()["issue"][0]["diagnostics"]
    wrong = client.get(path, headers={"Accept": "text/html", "Authorization": "Bearer no"})
    assert wrong.status_code == 401 and wrong.json()["resourceType"] == "OperationOutcome"


def test_whom_the_proxy_signed_in_opens_the_page(behind_proxy: FastAPI) -> None:
    client = TestClient(behind_proxy, client=PROXY)
    assert client.get("/bedside", headers={"X-Remote-User": "a.nurse"}).status_code == 200


@pytest.mark.parametrize(
    ("peer", "headers", "status"),
    [
        (PROXY, {}, 403),
        (PROXY, {"X-Remote-User": ""}, 403),
        (("10.0.1.7", 40000), {"X-Remote-User": "a.nurse"}, 403),
        (("127.0.0.1", 40000), {"X-Remote-User": "a.nurse"}, 403),
    ],
)
def test_nobody_else_does(behind_proxy: FastAPI, peer: tuple[str, int], headers: dict[str, str], status: int) -> None:
    assert TestClient(behind_proxy, client=peer).get("/bedside", headers=headers).status_code == status


def test_a_user_named_twice_is_refused(behind_proxy: FastAPI) -> None:
    headers = [("x-remote-user", "a.nurse"), ("x-remote-user", "another")]
    assert TestClient(behind_proxy, client=PROXY).get("/bedside", headers=headers).status_code == 400


def test_a_signed_in_user_calls_nothing_but_pages(behind_proxy: FastAPI) -> None:
    client = TestClient(behind_proxy, client=PROXY)
    for path in ("/facts", "/openapi.json", "/rules/sizing.line.adult"):
        answer = client.get(path, headers={"X-Remote-User": "a.nurse", "Accept": "application/json"})
        assert answer.status_code == 401, path


def test_the_files_of_pages_are_open_to_everybody(tmp_path: Path) -> None:
    assert TestClient(_guarded(tmp_path)).get("/static/pages.css").status_code == 200


def test_a_header_that_anybody_could_send_is_no_setting(tmp_path: Path) -> None:
    with pytest.raises(TrustSettingsError, match="NUQUE_TRUSTED_PROXIES"):
        _guarded(tmp_path, page_user_header="x-remote-user")


def test_in_open_mode_pages_answer_this_machine_only(client: TestClient) -> None:
    assert PAGES
    for path in PAGES:
        elsewhere = TestClient(client.app, client=("192.0.2.1", 1))
        assert elsewhere.get(path).status_code == 403
        answer = elsewhere.get(path, headers={"Accept": "text/html"})
        assert answer.status_code == 403 and "only this machine" in PageReader(answer.text)["problem"][0]
        assert "NUQUE_" not in answer.text


def test_every_page_is_held_to_this() -> None:
    modules = [import_module(found.name) for found in pkgutil.walk_packages(cds.web.pages.__path__, "cds.web.pages.")]
    routers = [one for module in modules for one in vars(module).values() if isinstance(one, APIRouter)]
    served = {route.path for router in routers for route in router.routes if isinstance(route, APIRoute)}
    outside = {path for path in served if not any(path == page or path.startswith(f"{page}/") for page in PAGES)}
    assert len(served) > len(PAGES) and outside == {"/", "/static/{name}"}
