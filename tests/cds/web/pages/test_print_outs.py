"""What is printed: the plan says what the API decides, the leaflet what the decision hands out."""

from __future__ import annotations

import base64
import hashlib
import re
import sys
from datetime import timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.reports.downtime_sheet import sheet
from cds.reports.downtime_sheet_pdf import as_html
from cds.settings import Settings
from cds.site.catalogue import Catalogue
from tests.cds.conftest import AT
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

FACTS = {
    "age_years": 41,
    "neck_height_mm": 66,
    "neck_circumference_mm": 380,
    "discharge_planned": True,
    "collar_in_place": True,
}
POSTED = {name: str(value).lower() for name, value in FACTS.items()}


@pytest.fixture
def decision(client: TestClient) -> dict:
    return client.post("/decisions", json={"facts": FACTS, "at": AT.isoformat()}).json()


def test_the_plan_holds_size_stops_and_every_task_of_the_decision(client: TestClient, decision: dict) -> None:
    page = PageReader(client.post("/print/plan", data=POSTED).text)
    assert decision["size_class"]["words"] in page["size"][0].lower()
    assert len(page["task"]) == len(decision["tasks"]) > 5
    for task in decision["tasks"]:
        said = f"{task['title']}{task['people']}{task['timing_words']}"
        assert any(row.startswith(said) for row in page["task"]), said
    assert {role.lower() for role in page["role"]} == {task["performer_words"] for task in decision["tasks"]}


SIZE = {"size.line": "adult", "size.height_band": "H3", "size.girth_band": "G2"}
WORN = {**SIZE, "chin_over_edge": "true"}


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/bedside", POSTED),
        ("/bedside/answer", POSTED),
        ("/print/plan", POSTED),
        ("/print/staff", POSTED),
        ("/fit", WORN),
    ],
)
def test_what_may_be_printed_of_a_decision_bears_its_moment_and_the_rules_and_says_that_it_ages(
    client: TestClient, decision: dict, path: str, fields: dict[str, str]
) -> None:
    identity = decision["ruleset"]
    (stamp,) = PageReader(client.post(path, data=fields).text)["stamp"]
    assert stamp.startswith(f"Decided {AT.astimezone():%Y-%m-%d %H:%M %Z}. Rules {identity['version']}, content ")
    assert f"content {identity['hash'][:12]}. " in stamp and stamp.endswith("Printed copies age.")


def test_the_staff_sheet_says_of_every_task_how_it_is_done(client: TestClient, decision: dict) -> None:
    page = PageReader(client.post("/print/staff", data=POSTED).text)
    assert decision["size_class"]["words"] in page["size"][0].lower()
    assert len(page["task"]) == len(decision["tasks"]) > 5
    for task in decision["tasks"]:
        said = [task["title"], task["instruction"], *task.get("details", [])]
        rows = [row for row in page["task"] if row.startswith(task["title"]) and task["timing_words"] in row]
        # Each step stands in a line of its own, which the reader of the page runs together.
        assert any(all(_run_together(text) in _run_together(row) for text in said) for row in rows), said
    assert {role.lower() for role in page["role"]} == {task["performer_words"] for task in decision["tasks"]}


@pytest.mark.parametrize("path", ["/print/plan", "/print/staff", "/bedside"])
def test_a_size_that_nobody_measured_is_named_as_such_on_paper_too(client: TestClient, path: str) -> None:
    half = PageReader(client.post(path, data={"age_years": "41", "neck_height_mm": "66"}).text)
    assert half["unmeasured"] == ["Circumference not known: to try first, and to be measured."]
    whole = {"age_years": "41", "neck_height_mm": "66", "neck_circumference_mm": "380"}
    assert PageReader(client.post(path, data=whole).text)["unmeasured"] == []
    stopped = PageReader(client.post(path, data={"age_years": "41", "halo_in_place": "true"}).text)
    assert stopped["size"] and stopped["unmeasured"] == []


def _run_together(text: str) -> str:
    return "".join(text.split())


def test_on_the_staff_sheet_what_holds_for_this_patient_stands_before_numbered_steps(client: TestClient) -> None:
    lying = {**POSTED, "collar_in_place": "", "discharge_planned": "", "spine_precautions": "true"}
    text = client.post("/print/staff", data=lying).text
    (row,) = re.findall(r"<td><b>Put the collar on</b>(.*?)</td>", text, re.DOTALL)
    steps = re.findall(r'<li data-part="step">(.*?)</li>', row)
    assert len(steps) > 3 and steps[0].startswith("One person does nothing but hold head and neck")
    assert all(step.endswith((".", "?")) and step[0].isupper() for step in steps)
    assert -1 < row.index("For this patient:") < row.index("To reach the back half, log-roll") < row.index("<ol>")
    # A task of one sentence has no number.
    assert '<p data-part="step">' in text


def test_the_downtime_sheet_is_that_of_the_command_under_a_strict_policy(client: TestClient) -> None:
    """The same sheet as ``nuque rules sheet`` writes, of the day of the service's clock; its one style is named by its hash."""
    answer = client.get("/print/downtime")
    assert answer.text == as_html(sheet(RULESET, AT.date()))
    (style,) = re.findall(r"<style>(.*?)</style>", answer.text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = answer.headers["content-security-policy"]
    assert f"style-src 'sha256-{digest}'" in policy and "unsafe" not in policy


def test_the_downtime_sheet_of_a_site_names_its_shelf() -> None:
    catalogue = Path("demo_bundles/catalogue.yaml")
    items = Catalogue.load(catalogue, RULESET).items
    with TestClient(create_app(Settings(catalogue=catalogue), clock=lambda: AT)) as stocked:
        answer = stocked.get("/print/downtime")
    assert answer.text == as_html(sheet(RULESET, AT.date(), items)) and items[0].name in answer.text


def test_without_its_packages_the_downtime_sheet_says_what_is_missing(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cds.reports.downtime_sheet", None)
    answer = client.get("/print/downtime")
    assert answer.status_code == 501 and "workbench" in answer.json()["issue"][0]["diagnostics"]


@pytest.mark.parametrize("language", ["en", "es"])
def test_the_leaflet_is_that_of_the_decision_with_its_notice(client: TestClient, decision: dict, language: str) -> None:
    answer = client.post("/print/leaflet", data={**POSTED, "leaflet": language})
    page = PageReader(answer.text)
    (leaflet,) = [one for one in decision["leaflets"] if one["language"] == language]
    assert len(page["section"]) == len(leaflet["sections"]) > 1
    for shown, section in zip(page["section"], leaflet["sections"], strict=True):
        assert all(" ".join(line.split()) in shown for line in section["lines"])
    assert page["notice"] == [" ".join(leaflet["notice"].split())]
    # Who hands it out may not read it, and has to know where its draft is marked.
    assert len(page["reviewed"]) == (language != "en")
    assert f'<html lang="{language}">' in answer.text


@pytest.mark.parametrize(
    ("language", "calls", "printed"), [("en", "Your team", "Printed"), ("es", "Su equipo", "Impreso")]
)
def test_a_leaflet_has_room_for_whom_to_call_and_speaks_one_language(
    client: TestClient, decision: dict, language: str, calls: str, printed: str
) -> None:
    page = PageReader(client.post("/print/leaflet", data={**POSTED, "leaflet": language}).text)
    (room,), (stamp,) = page["write"], page["stamp"]
    assert room.startswith(calls) and sum(tag == "dd" for tag, _ in page.tags) == 3
    identity = decision["ruleset"]
    assert stamp == f"{printed} {AT.astimezone():%Y-%m-%d %H:%M %Z} · {identity['version']}, {identity['hash'][:12]}"


def test_where_there_is_nothing_to_hand_out_the_page_says_so(client: TestClient) -> None:
    if client.post("/decisions", json={"facts": {}, "at": AT.isoformat()}).json().get("leaflets"):
        pytest.fail("an empty patient has a leaflet now; choose one who has none")
    assert "No leaflet" in client.post("/print/leaflet", data={"leaflet": "en"}).text


@pytest.mark.parametrize("path", ["/print/plan", "/print/staff", "/print/leaflet"])
def test_what_cannot_be_used_is_shown_in_the_form_and_not_printed(client: TestClient, path: str) -> None:
    answer = client.post(path, data={"neck_height_mm": "900"})
    assert answer.status_code == 422
    assert "outside what is plausible" in PageReader(answer.text)["problems"][0]


@pytest.mark.parametrize("path", ["/print/plan", "/print/staff"])
def test_with_nothing_recorded_nothing_is_printed(client: TestClient, path: str) -> None:
    """On paper a size to try first and a shelf number would be read as somebody's."""
    answer = client.post(path, data={"age_years": "", "tracheostomy": ""})
    page = PageReader(answer.text)
    assert answer.status_code == 200 and page["nothing"]
    assert page["size"] == page["task"] == [] and "Patient label" not in answer.text
    assert PageReader(client.post(path, data={"age_years": "41"}).text)["nothing"] == []


def test_every_time_is_that_of_the_wards_clock_and_the_paper_names_its_zone(store_url: str) -> None:
    """A check at 08:08 is hours wrong on a wall clock if it is the machine's."""
    client = TestClient(create_app(Settings(time_zone="America/New_York"), clock=lambda: AT))
    worn = {"age_years": "41", "collar_in_place": "true", "neck_height_mm": "66", "setting": "ward"}
    for path in ("/print/plan", "/print/staff", "/bedside"):
        text = client.post(path, data=worn).text
        (stamp,) = PageReader(text)["stamp"]
        # New York is five hours behind UTC in January.
        assert stamp.startswith("Decided 2026-01-31 05:00 EST.") and "UTC" not in text
        assert len(re.findall(r"\(EST\)|Times: EST", text)) == 1
        assert re.search(r"[Ff]rom 13:00", text) and "18:00" not in text
    (record,) = PageReader(client.post("/fit", data={**SIZE, "looked": "yes"}).text)["record"]
    assert record.startswith("Fit check, 2026-01-31 05:00 EST")
    early = AT.replace(hour=2)
    downtime = TestClient(create_app(Settings(time_zone="America/New_York"), clock=lambda: early)).get(
        "/print/downtime"
    )
    assert downtime.text == as_html(sheet(RULESET, AT.date() - timedelta(days=1)))


def _printing(text: str) -> dict[str, list[str | None]]:
    """Each kind of paper that a page offers: whether it comes in a tab of its own."""
    found: dict[str, list[str | None]] = {}
    for _, given in PageReader(text).tags:
        if (address := given.get("formaction") or given.get("href") or "").startswith("/print/"):
            found.setdefault(address, []).append(given.get("formtarget") or given.get("target"))
    return found


@pytest.mark.parametrize("path", ["/bedside", "/bedside/answer"])
def test_only_what_can_be_printed_is_offered(client: TestClient, path: str) -> None:
    def offered(posted: dict[str, str]) -> set[str]:
        return set(_printing(client.post(path, data=posted).text))

    assert offered({"age_years": ""}) == offered({"neck_height_mm": "wide"}) == {"/print/downtime"}
    assert offered({"age_years": "41"}) == {"/print/downtime", "/print/plan", "/print/staff"}
    assert offered(POSTED) == {"/print/downtime", "/print/plan", "/print/staff", "/print/leaflet"}


def test_paper_comes_in_a_tab_of_its_own(client: TestClient) -> None:
    """Nothing of the bedside page is kept: going back to it would find it empty."""
    found = _printing(client.post("/bedside", data=POSTED).text)
    assert len(found["/print/leaflet"]) == 2
    assert {target for targets in found.values() for target in targets} == {"_blank"}
