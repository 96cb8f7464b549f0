"""Fit checks as a caller meets them: over HTTP, and as a command."""

import json

import pytest
from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli import main
from cds.settings import Settings
from rules.deciding.fit_check import findings_of
from tests.shipped_content import RULESET

FINDINGS = findings_of(RULESET)
TIGHT = {"size": "adult H2 G2", "findings": {**dict.fromkeys(FINDINGS, False), "no_finger_gap": True}}
AGAIN = {**TIGHT, "history": [{"size": "adult H2 G2", "findings": {"no_finger_gap": True}}]}


def form(client: TestClient, size: str, **found: bool) -> dict:
    """The service's own questionnaire, filled in."""
    asked = client.get("/Questionnaire/fit-check").json()
    words = set(size.split())
    worn = []
    for axis in next(item["item"] for item in asked["item"] if item["linkId"] == "size"):
        for option in axis["answerOption"]:
            if option["valueCoding"]["code"].split(".")[1] in words:
                worn.append({"linkId": axis["linkId"], "answer": [option]})
    answers = [
        {"linkId": name.replace("_", "-"), "answer": [{"valueBoolean": found.get(name, False)}]} for name in FINDINGS
    ]
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": asked["url"],
        "status": "completed",
        "item": [{"linkId": "size", "item": worn}, {"linkId": "findings", "item": answers}],
    }


def test_the_questionnaire_is_served_as_fhir(client):
    answer = client.get("/Questionnaire/fit-check")
    assert answer.headers["content-type"].startswith("application/fhir+json")
    assert answer.json()["resourceType"] == "Questionnaire"


def test_first_seat_again_then_one_size_up(client):
    first = client.post("/fit-checks", json=TIGHT).json()
    assert (first["outcome"], first["corrections"][0]["finding"]) == ("reseat", "no_finger_gap")
    then = client.post("/fit-checks", json=AGAIN).json()
    assert (then["outcome"], then["next_size"]["code"]) == ("change_size", "adult H2 G3")
    assert then["corrections"][0]["rule"] == "fit_check.size.tight"
    assert "practice-neighbours" in then["sources"]


def test_a_filled_form_and_plain_json_are_told_the_same(client):
    plain = client.post("/fit-checks", json=AGAIN)
    sent = form(client, "adult H2 G2", no_finger_gap=True)
    filled = client.post("/fit-checks", json={"response": sent, "history": [sent]})
    assert filled.json() == plain.json()


def test_a_bare_response_is_taken(client):
    told = client.post("/fit-checks", json=form(client, "adult H2 G2", new_neurological_sign=True))
    assert told.json()["outcome"] == "stop"


def test_the_shelf_limits_what_is_offered(client):
    shelf = [{"name": "item 4", "sizes": ["adult H2 G4"]}]
    told = client.post("/fit-checks", json={**AGAIN, "shelf": shelf}).json()
    assert (told["next_size"]["code"], told["next_item"]) == ("adult H2 G4", "item 4")
    assert client.post("/fit-checks", json={**AGAIN, "shelf": []}).json()["outcome"] == "refer"


@pytest.mark.parametrize(
    ("sent", "named"),
    [
        ({**TIGHT, "size": "H2"}, "size"),
        ({**TIGHT, "findings": {"chin_missing": True}}, "chin_missing"),
        ({**TIGHT, "facts": {"age_years": 200}}, "age_years"),
        ({**TIGHT, "facts": {"refits_in_this_size": 3}}, "refits_in_this_size"),
        ({**TIGHT, "history": [{"resourceType": "QuestionnaireResponse"}]}, "questionnaire"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_name(client, sent, named):
    answer = client.post("/fit-checks", json=sent)
    assert answer.status_code == 422
    assert named in {problem["fact"] for problem in answer.json()["problems"]}


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {**TIGHT, "response": {}},
        {"response": {"resourceType": "QuestionnaireResponse"}, "findings": {"ear_pressed": True}},
        {**TIGHT, "findings": {"ear_pressed": "yes"}},
        {**TIGHT, "history": [{"findings": {}}]},
        {**TIGHT, "history": [{**TIGHT, "verdict": "good"}]},
        {**TIGHT, "shelf": [{"name": "item 4", "sizes": []}]},
        {**TIGHT, "unknown": 1},
    ],
)
def test_a_wrong_shape_is_refused_as_an_outcome(client, sent):
    answer = client.post("/fit-checks", json=sent)
    assert answer.status_code == 422
    assert answer.json()["resourceType"] == "OperationOutcome"


def run(*args: str, sent: object = None):
    return CliRunner().invoke(main, ["fit", *args], input=sent if isinstance(sent, str) else json.dumps(sent))


def test_the_command_says_the_same_as_the_service(client):
    at = {"at": "2026-01-31T10:00:00Z"}
    told = run("-", "--json", sent={**AGAIN, **at})
    assert told.exit_code == 0, told.output
    assert json.loads(told.output) == client.post("/fit-checks", json={**AGAIN, **at}).json()


def test_the_command_prints_what_to_do(client):
    told = run("-", sent=form(client, "adult H2 G2", no_finger_gap=True, ear_pressed=True))
    assert told.exit_code == 0, told.output
    assert told.output.startswith("Seat the same size again")
    assert "No room for a finger" in told.output and "people)" in told.output
    assert "fit_check." not in told.output and "practice-fit" not in told.output
    why = run("--why", "-", sent=form(client, "adult H2 G2", no_finger_gap=True, ear_pressed=True)).output
    assert "fit_check.seat." in why and "[practice-fit]" in why


@pytest.mark.parametrize("sent", ["{", {}, {"size": "H2"}, {**TIGHT, "history": [{"size": 3}]}])
def test_the_command_refuses_what_it_cannot_use(sent):
    told = run("-", sent=sent)
    assert told.exit_code in (1, 2)
    assert told.output.strip()
    assert "Traceback" not in told.output


STANDARD = "line: adult, contour: neutral, back: standard"
SHELF = f"""
site: {{name: an invented shelf}}
items:
  - {{item: low-2, name: low, {STANDARD}, height_mm: [45, 60], circumference_mm: [330, 430]}}
  - {{item: low-34, name: low and wide, {STANDARD}, height_mm: [45, 60], circumference_mm: [430, 700]}}
  - {{item: gone, name: sold out, {STANDARD}, height_mm: [60, 75], circumference_mm: [330, 430], quantity: 0}}
"""


def test_the_command_offers_what_the_site_stocks(tmp_path):
    shelf = tmp_path / "shelf.yaml"
    shelf.write_text(SHELF)
    worn = {**AGAIN, "item": "low-2", "history": [{**AGAIN["history"][0], "item": "low-2"}]}
    told = json.loads(run("-", "--json", "--catalogue", str(shelf), sent=worn).output)
    assert (told["next_size"]["code"], told["next_item"]) == ("adult H2 G3", "low-34")
    high = {"size": "adult H2 G2", "item": "low-2", "findings": {"chin_over_edge": True}}
    told = json.loads(run("-", "--json", "--catalogue", str(shelf), sent={**high, "history": [high]}).output)
    assert told["outcome"] == "refer"


def test_the_service_offers_what_the_site_stocks(tmp_path):
    (tmp_path / "shelf.yaml").write_text(SHELF)
    with TestClient(create_app(Settings(catalogue=tmp_path / "shelf.yaml"))) as site:
        told = site.post("/fit-checks", json=AGAIN).json()
        assert told["next_item"] == "low-34"
        own = {**AGAIN, "shelf": [{"name": "mine", "sizes": ["adult H2 G4"]}]}
        assert site.post("/fit-checks", json=own).json()["next_item"] == "mine"


def test_the_command_refuses_a_base_that_is_none():
    assert "--base" in run("-", "--base", "nowhere", sent=TIGHT).output
