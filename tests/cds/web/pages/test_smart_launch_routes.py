"""SMART App Launch against an authorisation and FHIR server of the tests: from the chart, standalone, and everything wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx
import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.security.pseudonymisation import Secrecy
from cds.security.sealed_links import LinkSeal
from cds.security.smart_session import SESSION, Session, SmartSessions
from cds.security.ssrf_guard import ReachError
from cds.settings import Settings, SettingsError, StoreSettings
from tests.cds import ehr as cds_client
from tests.cds import smart_ehr
from tests.cds.conftest import AT
from tests.cds.faults.fhir_server import OBSERVATIONS, PATIENT, TOKEN
from tests.cds.live_service import PATIENCE_SECONDS
from tests.cds.web.pages.page_reader import PageReader

HTML = {"Accept": "text/html"}


@pytest.fixture
def ehr() -> Iterator[smart_ehr.Ehr]:
    with smart_ehr.running() as found:
        yield found


class Clock:
    now = AT

    def __call__(self) -> Any:
        return self.now


Make = Callable[..., TestClient]


@pytest.fixture
def make(tmp_path: Path, ehr: smart_ehr.Ehr) -> Iterator[Make]:
    """Makes a service that asks for tokens and is registered at the EHR."""
    given = {
        "trust": "jwt",
        "clients": cds_client.clients_file(tmp_path),
        "audiences": (cds_client.BASE,),
        "public_url": cds_client.BASE,
        "pseudonym_key": "k" * 32,
        "store_url": f"sqlite:///{tmp_path / 'own.sqlite3'}",
        "fhir_servers": (ehr.url,),
        "private_networks": ("127.0.0.0/8",),
        "smart_clients": (f"{ehr.iss}={smart_ehr.CLIENT}",),
        "fetch_budget_seconds": 30,
        "smart_seconds": 30,
    }
    with ExitStack() as stack:

        def made(clock: Any = lambda: AT, **changed: Any) -> TestClient:
            app = create_app(Settings(**{**given, **changed}), clock=clock)
            return stack.enter_context(TestClient(app, base_url=cds_client.BASE, follow_redirects=False))

        yield made


def _begun(client: TestClient, ehr: smart_ehr.Ehr, **launch: str) -> str:
    """The address to which the EHR sends the browser back."""
    begun = client.get("/launch", params={"iss": ehr.iss, **launch}, headers=HTML)
    assert begun.status_code == 303, begun.text
    return httpx.get(begun.headers["location"], timeout=PATIENCE_SECONDS).headers["location"]


def _launched(client: TestClient, ehr: smart_ehr.Ehr, **launch: str) -> httpx.Response:
    back = _begun(client, ehr, **launch)
    assert back.startswith(f"{cds_client.BASE}/launch/callback?")
    return client.get(back.removeprefix(cds_client.BASE), headers=HTML)


@pytest.mark.parametrize("launch", [{"launch": smart_ehr.LAUNCH}, {}])
def test_a_launch_opens_the_bedside_page_with_the_facts_of_the_record(
    make: Make, ehr: smart_ehr.Ehr, launch: dict[str, str]
) -> None:
    client = make()
    assert client.get("/bedside", headers=HTML).status_code == 403
    answer = _launched(client, ehr, **launch)
    assert ehr.asked[0].get("launch") == launch.get("launch")
    assert answer.status_code == 303 and answer.headers["location"].startswith("/bedside#d=")
    cookies = answer.headers.get_list("set-cookie")
    assert any(
        SESSION in one and "HttpOnly" in one and "Secure" in one and "samesite=lax" in one.lower() for one in cookies
    )
    assert client.get("/bedside", headers=HTML).status_code == 200
    opened = client.post("/bedside/link", data={"link": urlsplit(answer.headers["location"]).fragment[2:]})
    page = PageReader(opened.text)
    assert page["code"] == ["adult H3 G2"]
    assert any("Observation/invented-0, 2026-01-31 09:00 UTC" in one and "380" in one for one in page["record"])
    assert any("Observation/invented-1" in one and "66" in one for one in page["record"])


@pytest.mark.parametrize("elsewhere", [False, True])
def test_a_record_for_the_same_id_at_another_server_is_not_the_patients(
    make: Make, ehr: smart_ehr.Ehr, monkeypatch: pytest.MonkeyPatch, elsewhere: bool
) -> None:
    """R4, Reference.reference: an absolute URL says at which server the resource is."""
    server = "https://other.example/fhir" if elsewhere else ehr.iss
    monkeypatch.setitem(OBSERVATIONS[0], "subject", {"reference": f"{server}/Patient/{PATIENT}"})
    client = make()
    answer = _launched(client, ehr, launch=smart_ehr.LAUNCH)
    opened = client.post("/bedside/link", data={"link": urlsplit(answer.headers["location"]).fragment[2:]})
    page = PageReader(opened.text)
    assert any("Observation/invented-0" in one for one in page["record"]) is not elsewhere
    assert any("Observation/invented-1" in one for one in page["record"])


def test_nothing_of_the_patient_or_the_token_is_in_an_address_or_a_cookie(make: Make, ehr: smart_ehr.Ehr) -> None:
    client = make()
    answer = _launched(client, ehr, launch=smart_ehr.LAUNCH)
    told = answer.headers["location"] + "".join(answer.headers.get_list("set-cookie")) + answer.text
    assert TOKEN not in told and PATIENT not in told


def test_a_session_opens_pages_only_and_ends_with_the_permission(make: Make, ehr: smart_ehr.Ehr) -> None:
    clock = Clock()
    client = make(clock)
    _launched(client, ehr, launch=smart_ehr.LAUNCH)
    assert client.get("/fit", headers=HTML).status_code == 200
    assert client.get("/facts").status_code == 401 and client.post("/decisions", json={"facts": {}}).status_code == 401
    clock.now = AT + timedelta(seconds=301)
    assert client.get("/fit", headers=HTML).status_code == 403


def test_a_session_of_one_patient_does_not_open_the_link_of_another(make: Make, ehr: smart_ehr.Ehr) -> None:
    client = make()
    link = urlsplit(_launched(client, ehr, launch=smart_ehr.LAUNCH).headers["location"]).fragment[2:]
    secret = Secrecy(StoreSettings(pseudonym_key="k" * 32), made_up=False).derived("smart sessions")
    for patient, status in ((PATIENT, 200), ("another", 403)):
        session = Session(iss=ehr.iss, patient=patient, expires=AT + timedelta(minutes=5))
        client.cookies.clear()
        client.cookies.set(SESSION, SmartSessions(LinkSeal(secret, 12), lambda: AT).sealed(session))
        assert client.post("/bedside/link", data={"link": link}).status_code == status


@pytest.mark.parametrize("wrong", ["state", "no state", "no code", "code", "no cookie", "late"])
def test_whoever_comes_back_otherwise_gets_no_session(make: Make, ehr: smart_ehr.Ehr, wrong: str) -> None:
    clock = Clock()
    client = make(clock)
    back = httpx.URL(_begun(client, ehr, launch=smart_ehr.LAUNCH))
    if wrong == "state":
        back = back.copy_set_param("state", "A" * 43)
    elif wrong.startswith("no ") and wrong != "no cookie":
        back = back.copy_remove_param(wrong.removeprefix("no "))
    elif wrong == "code":
        back = back.copy_set_param("code", "another")
    elif wrong == "no cookie":
        client.cookies.clear()
    else:
        clock.now = AT + timedelta(minutes=11)
    answer = client.get(str(back), headers=HTML)
    assert answer.status_code == 403 and SESSION not in str(answer.headers)
    (problem,) = PageReader(answer.text)["problem"]
    assert problem.endswith("open Nuque from the chart again.")
    assert client.get("/bedside", headers=HTML).status_code == 403


def test_a_refusal_of_the_user_and_a_sign_in_that_fails_are_told_apart(make: Make, ehr: smart_ehr.Ehr) -> None:
    """RFC 6749: a denial comes back as ``error`` (4.1.2.1), a failed token request as an error status (5.2)."""
    client = make()
    state = httpx.URL(_begun(client, ehr, launch=smart_ehr.LAUNCH)).params["state"]
    denied = client.get("/launch/callback", params={"state": state, "error": "access_denied"}, headers=HTML)
    failed = client.get("/launch/callback", params={"state": state, "code": "another"}, headers=HTML)
    assert PageReader(denied.text)["problem"] == ["The EHR granted no access; open Nuque from the chart again."]
    assert PageReader(failed.text)["problem"] == [
        "The EHR did not complete the sign-in; open Nuque from the chart again."
    ]


def test_a_code_serves_once(make: Make, ehr: smart_ehr.Ehr) -> None:
    client = make()
    back = _begun(client, ehr, launch=smart_ehr.LAUNCH)
    kept = dict(client.cookies)
    assert client.get(back, headers=HTML).status_code == 303
    client.cookies.clear()
    client.cookies.update(kept)
    assert client.get(back, headers=HTML).status_code == 403


@pytest.mark.parametrize(
    "token",
    [
        {"patient": None},
        {"patient": 7},
        {"expires_in": 0},
        {"expires_in": "soon"},
        {"token_type": "mac"},
        {"access_token": "of-another-server"},
        {"access_token": ""},
    ],
)
def test_a_token_that_is_expired_foreign_or_without_a_patient_opens_nothing(
    make: Make, ehr: smart_ehr.Ehr, token: dict[str, Any]
) -> None:
    ehr.token = {name: value for name, value in {**ehr.token, **token}.items() if value is not None}
    client = make()
    assert _launched(client, ehr, launch=smart_ehr.LAUNCH).status_code == 403
    assert client.get("/bedside", headers=HTML).status_code == 403


def test_the_patient_of_the_token_is_read_and_no_other(make: Make, ehr: smart_ehr.Ehr) -> None:
    ehr.token["patient"] = "somebody-else"
    assert _launched(make(), ehr, launch=smart_ehr.LAUNCH).status_code == 403


def test_a_cookie_of_another_service_or_changed_is_none(make: Make, ehr: smart_ehr.Ehr) -> None:
    client = make()
    foreign = SmartSessions(LinkSeal(b"another" * 6, 12), lambda: AT)
    session = Session(iss=ehr.iss, patient=PATIENT, expires=AT + timedelta(minutes=5))
    for value in (foreign.sealed(session), "rubbish", ""):
        client.cookies.set(SESSION, value)
        assert client.get("/bedside", headers=HTML).status_code == 403


@pytest.mark.parametrize("iss", ["", "https://elsewhere.example/fhir", "http://169.254.169.254/"])
def test_no_server_but_those_of_the_site_is_asked(make: Make, ehr: smart_ehr.Ehr, iss: str) -> None:
    answer = make().get("/launch", params={"iss": iss}, headers=HTML)
    assert answer.status_code == 403
    (problem,) = PageReader(answer.text)["problem"]
    assert "not registered at the EHR" in problem and "IT service desk" in problem and "NUQUE_" not in answer.text


@pytest.mark.parametrize(
    "changed",
    [
        {"authorization_endpoint": "javascript:alert(1)"},
        {"token_endpoint": None},
        {"code_challenge_methods_supported": ["plain"]},
    ],
)
def test_an_ehr_that_cannot_be_trusted_with_it_is_not_launched_at(
    make: Make, ehr: smart_ehr.Ehr, changed: dict[str, Any]
) -> None:
    ehr.configuration |= changed
    assert make().get("/launch", params={"iss": ehr.iss}, headers=HTML).status_code == 403


def test_a_token_endpoint_elsewhere_is_not_called(make: Make, ehr: smart_ehr.Ehr) -> None:
    ehr.configuration["token_endpoint"] = "http://127.0.0.1:9/token"
    assert _launched(make(), ehr, launch=smart_ehr.LAUNCH).status_code == 403


def test_a_server_that_is_not_listed_and_an_entry_without_id_are_no_settings(
    make: Make, ehr: smart_ehr.Ehr, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(ReachError, match="NUQUE_FHIR_SERVERS"):
        make(fhir_servers=())
    monkeypatch.setenv("NUQUE_SMART_CLIENTS", "https://ehr.example.org/fhir")
    with pytest.raises(SettingsError, match="NUQUE_SMART_CLIENTS"):
        Settings.load()


def test_without_registrations_there_is_no_launch(client: TestClient) -> None:
    assert client.get("/launch", params={"iss": "https://ehr.example.org"}).status_code == 404
