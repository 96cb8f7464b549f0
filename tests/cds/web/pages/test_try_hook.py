"""Try a hook: every invented patient with every hook, as the API answers; and the same call from elsewhere."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli.invocation.input_files import read_input
from cds.hooks.services import SERVICES
from cds.settings import Settings
from cds.site.demo_patients import SHIPPED, DemoIndex, moved
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.hooks.cds_hooks_standard import check_response
from tests.cds.live_service import PATIENCE_SECONDS, running
from tests.cds.web.pages.page_reader import PageReader

assert SHIPPED is not None
INDEX = DemoIndex.read(SHIPPED)


def _request(page: PageReader) -> str:
    (text,) = page.texts["request"]
    return text


def _sent(client: TestClient, number: str, hook: str, text: str) -> PageReader:
    answer = client.post("/try", data={"patient": number, "hook": hook, "request": text})
    assert answer.status_code == 200
    return PageReader(answer.text)


def _prepared(client: TestClient, number: str, hook: str) -> str:
    answer = client.get("/try", params={"patient": number, "hook": hook})
    assert answer.status_code == 200
    return _request(PageReader(answer.text))


@pytest.mark.parametrize("hook", [one.id for one in SERVICES])
def test_a_request_is_answered_as_the_api_answers_and_keeps_the_standard(client: TestClient, hook: str) -> None:
    text = _prepared(client, "01", hook)
    page = _sent(client, "01", hook, text)
    answer = client.post(f"/cds-services/{hook}", json=json.loads(text)).json()
    check_response(answer)
    assert page["status"] == ["200"]
    assert page["card-summary"] == [" ".join(card["summary"].split()) for card in answer["cards"]]
    assert json.loads(page.texts["json"][0]) == answer
    assert len(page["check"]) > 5 and all(one.startswith("Kept") for one in page["check"])
    assert len(page["stage"]) >= 3 and all(float(one) >= 0 for one in page["stage"])
    offered = [one["label"] for card in answer["cards"] for one in card.get("suggestions", [])]
    assert [one.removesuffix(" (recommended)") for one in page["suggestion"]] == [
        " ".join(one.split()) for one in offered
    ]


@pytest.mark.slow
def test_every_invented_patient_is_decided_as_at_its_own_moment(client: TestClient) -> None:
    """The dates are moved, so nothing becomes stale: the size is that of ``nuque demo``."""
    content = client.app.state.service.content
    sized, hook = 0, "collar-order-select"
    # A hook's prefetch asks for no Location; where one says what kind of unit it is, the Bundle knows more.
    without_unit = [one for one in INDEX.patients if '"Location"' not in (SHIPPED / one.file).read_text()]
    for patient in without_unit:
        written = (SHIPPED / patient.file).read_bytes()
        given = read_input(written, patient.file, content.ruleset, lambda: content.code_map, patient.at, now=patient.at)
        expected = content.decider.decide(given.facts, given.at, given.not_used).size_class
        page = _sent(client, patient.number, hook, _prepared(client, patient.number, hook))
        decision = json.loads(page.texts["json"][0]).get("extension", {}).get("org.example.nuque.decision", {})
        if decision:
            assert decision.get("size_class", {}).get("code") == (expected and expected.code), patient.file
            sized += expected is not None
    assert sized > 20


def test_dates_are_moved_together() -> None:
    value = {"a": "2026-03-02T10:00:00Z", "b": ["1991-05-14"], "c": "1950", "d": "H3 2026-03-02", "e": 7}
    assert moved(value, timedelta(days=10, hours=2)) == {
        "a": "2026-03-12T12:00:00Z",
        "b": ["1991-05-24"],
        "c": "1950",
        "d": "H3 2026-03-02",
        "e": 7,
    }


@pytest.mark.parametrize("text", ["{", "[]", '{"hook": "order-sign"}', ""])
def test_a_request_that_is_wrong_is_answered_as_the_api_does(client: TestClient, text: str) -> None:
    page = _sent(client, "01", "collar-order-select", text)
    assert page["status"][0].startswith("4") and page["issue"] and page["card"] == []
    assert _request(page) == text
    answer = client.post(
        "/cds-services/collar-order-select", content=text, headers={"Content-Type": "application/json"}
    )
    assert page["issue"] == [issue["diagnostics"] for issue in answer.json()["issue"]]


def test_a_card_shows_what_came_from_a_record_as_text(client: TestClient) -> None:
    text = _prepared(client, "01", "collar-order-select").replace("Rigid neck collar", "<b>Rigid</b>")
    answer = client.post("/try", data={"patient": "01", "hook": "collar-order-select", "request": text}).text
    assert "<b>Rigid" not in answer


def test_only_the_patients_and_services_that_there_are(client: TestClient) -> None:
    for form in ({"patient": "99", "hook": "collar-order-select"}, {"patient": "01", "hook": "../admin"}, {"hook": ""}):
        assert client.post("/try", data=form).status_code == 404


def test_where_tokens_are_asked_for_there_is_no_such_page(tmp_path: Path) -> None:
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path),
        audiences=(ehr.BASE,),
        pseudonym_key="k" * 32,
        store_url=f"sqlite:///{tmp_path / 'own.sqlite3'}",
        trusted_proxies=("10.0.0.0/24",),
        page_user_header="x-remote-user",
    )
    client = TestClient(create_app(settings, clock=lambda: AT), client=("10.0.0.7", 4000))
    assert client.get("/try", headers={"X-Remote-User": "a.nurse"}).status_code == 404
    bedside = client.get("/bedside", headers={"X-Remote-User": "a.nurse"})
    assert bedside.status_code == 200 and "/try" not in bedside.text


@pytest.mark.slow
@pytest.mark.parametrize("name", ["curl", "Python"])
def test_the_call_from_elsewhere_runs_as_it_is_copied(name: str) -> None:
    with running() as live:
        page = PageReader(httpx.get(f"{live.url}/try", params={"patient": "03"}, timeout=PATIENCE_SECONDS).text)
        command = ["bash", "-c", page.texts[name][0]] if name == "curl" else [sys.executable, "-c", page.texts[name][0]]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    answer = json.loads(done.stdout)
    check_response(answer)
    assert answer["cards"]


def test_moments_are_today(client: TestClient) -> None:
    call = json.loads(_prepared(client, "01", "collar-patient-view"))
    observed = [entry["resource"]["effectiveDateTime"] for entry in call["prefetch"]["observations"]["entry"]]
    assert observed and all(
        timedelta(0) <= AT - datetime.fromisoformat(one).astimezone(UTC) < timedelta(days=30) for one in observed
    )


def test_the_patients_are_offered_by_what_they_are(client: TestClient) -> None:
    text = client.get("/try", params={"patient": "05"}).text
    assert '<option value="05" selected>05 An infant of eight months</option>' in text
    offered = re.findall(r"<option value=\"\d\d\"[^>]*>(.*?)</option>", text)
    assert len(offered) == len(INDEX.patients) == len({one[3:] for one in offered})
    # Each in words of its own, and no sentence to its end.
    assert all(re.match(r"\d\d [A-Z]", one) and not re.search(r"[:;.](?: |$)", one) for one in offered)


def test_what_a_reader_looks_for_is_not_behind_a_request_and_eleven_lines(client: TestClient) -> None:
    hook = "collar-patient-view"
    text = _prepared(client, "28", hook)
    shown = client.post("/try", data={"patient": "28", "hook": hook, "request": text}).text
    assert "<details><summary>The request, to be edited</summary>" in shown
    kept = re.findall(r"<details><summary>(\d+) of (\d+) kept</summary>", shown)
    assert kept and kept[0][0] == kept[0][1]
    assert "No card. This hook speaks where a collar is worn or ordered." in shown
