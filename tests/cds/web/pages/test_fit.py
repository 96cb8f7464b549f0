"""The fit check page: the advice of POST /fit-checks, the tries carried from look to look, and a record at the end."""

from __future__ import annotations

import html
import json
import re

import pytest
from fastapi.testclient import TestClient
from fhir.resources.R4B.questionnaireresponse import QuestionnaireResponse

from cds.web.pages.fit_form import REGIONS, regions, size_fields
from rules.deciding.fit_check import findings_of
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

WORN = {"size.line": "adult", "size.height_band": "H3", "size.girth_band": "G2"}
FINDINGS = list(findings_of(RULESET))


def _judged(client: TestClient, **posted: str) -> tuple[PageReader, dict[str, str]]:
    """The page, and what its next post carries."""
    answer = client.post("/fit", data={**WORN, **posted})
    assert answer.status_code == 200
    page = PageReader(answer.text)
    hidden = {
        given["name"] or "": html.unescape(given.get("value") or "")
        for tag, given in page.tags
        if tag == "input" and given.get("type") == "hidden"
    }
    return page, hidden


def test_every_finding_of_the_rules_is_looked_for_in_one_region() -> None:
    named = [finding.name for region in regions(RULESET) for finding in region.findings]
    assert sorted(named) == sorted(FINDINGS) and len(set(named)) == len(named)
    assert len(regions(RULESET)) == len(REGIONS)


@pytest.mark.parametrize("finding", FINDINGS)
@pytest.mark.parametrize("elsewhere", ["looked", "not looked"])
def test_page_and_api_give_the_same_advice(client: TestClient, finding: str, elsewhere: str) -> None:
    looked = {"looked": "yes"} if elsewhere == "looked" else {}
    page, _ = _judged(client, **{finding: "yes"}, **looked)
    findings = {name: name == finding for name in FINDINGS if looked or name == finding}
    advice = client.post("/fit-checks", json={"size": "adult H3 G2", "findings": findings}).json()
    assert page["summary"] == [advice["summary"]]
    assert page["next"] == ([advice["next_size"]["code"]] if "next_size" in advice else [])
    corrections = [" ".join(one["correction"].split()) for one in advice["corrections"]]
    assert [re.sub(r"^\d+\. ", "", text) for text in page["correction"]] == corrections


def test_earlier_tries_are_carried_until_the_fitting_comes_to_its_end(client: TestClient) -> None:
    carried: dict[str, str] = {}
    for tries in range(6):
        page, carried = _judged(client, chin_over_edge="yes", **carried)
        if page["record"]:
            break
        assert len(page["try"]) == tries + 1
    assert page["summary"] == ["Stop trying on and ask the orthotist."]
    assert "Try 1: adult H3 G2, found chin over the edge" in page["record"][0]


def test_what_was_not_looked_at_is_not_taken_for_absent(client: TestClient) -> None:
    page, _ = _judged(client, **{"looked.head": "yes"})
    unchecked = len(FINDINGS) - len(REGIONS["head"][1])
    assert f"{unchecked} points were not looked at" in page["summary"][0] and page["record"] == []


def test_the_end_is_a_record_and_a_response_that_the_service_reads_back(client: TestClient) -> None:
    page, carried = _judged(client, looked="yes")
    assert "Found: nothing" in page["record"][0] and "Not looked at: nothing" in page["record"][0]
    saved = client.post("/fit/record", data=carried)
    assert saved.headers["content-type"] == "application/fhir+json"
    QuestionnaireResponse.model_validate(saved.json())
    advice = client.post("/fit-checks", json=saved.json()).json()
    assert advice["outcome"] == "fits" and advice["worn"]["code"] == "adult H3 G2"


def test_from_the_bedside_the_size_and_the_facts_come_along(client: TestClient) -> None:
    facts = {"neck_height_mm": "66", "neck_circumference_mm": "380", "age_years": "41", "ear_pressed": "true"}
    page = PageReader(client.post("/fit/start", data=facts).text)
    chosen = [given.get("value") for tag, given in page.tags if tag == "option" and "selected" in given]
    assert chosen == ["adult", "H3", "G2", "neutral", "standard"]
    (kept,) = [given["value"] for tag, given in page.tags if given.get("name") == "facts"]
    assert kept is not None and "neck_height_mm" in kept and "ear_pressed" not in kept


def test_without_a_size_the_page_asks_for_it(client: TestClient) -> None:
    answer = client.post("/fit", data={"chin_over_edge": "yes"})
    assert answer.status_code == 422
    page = PageReader(answer.text)
    assert len(page["missing"]) == 3
    told = [given["aria-describedby"] for tag, given in page.tags if tag == "select" and given.get("aria-invalid")]
    assert len(told) == 3 and all(any(given.get("id") == one for _, given in page.tags) for one in told)


@pytest.mark.parametrize("finding", FINDINGS)
def test_whatever_stops_the_fitting_is_said_before_a_size_is_chosen(client: TestClient, finding: str) -> None:
    advice = client.post("/fit-checks", json={"size": "adult H3 G2", "findings": {finding: True}}).json()
    answer = client.post("/fit", data={finding: "yes"})
    page = PageReader(answer.text)
    said = page["stop"] + page["caution"]
    assert answer.status_code == 422
    grave = [one["text"] for one in advice.get("cautions", []) if one["severity"] == "critical"]
    corrections = [one["correction"] for one in advice["corrections"] if one["action"] == "stop"]
    assert {" ".join(text.split()) for text in (*grave, *corrections)} <= set(said)
    assert bool(said) == bool(grave or corrections)


@pytest.mark.parametrize("known", [{"halo_in_place": "true"}, {"airway_threat": "true"}])
def test_from_the_bedside_what_stops_comes_along(client: TestClient, known: dict[str, str]) -> None:
    held = client.post("/decisions", json={"facts": {**dict.fromkeys(known, True), "collar_in_place": True}}).json()
    (text,) = [one["text"] for one in held["holds"] if one["kind"] == "do_not_size"]
    assert text in PageReader(client.post("/fit/start", data=known).text)["stop"]


def test_at_a_stop_the_steps_stand_in_red_and_what_says_them_again_is_folded(client: TestClient) -> None:
    """Who frees an airway reads one list: what the same rule says in other words is a reason, and nothing is asked for."""
    found = {"breathing_or_swallowing_trouble": "yes", "new_neurological_sign": "yes"}
    facts = {"facts": json.dumps({"tracheostomy": True})}
    step = "Hold the head by hand and open the front now"
    for posted in ({**WORN, **found, **facts}, {**found, **facts}):
        text = client.post("/fit", data=posted).text
        red, _, after = text.partition("<details><summary><strong>Reasons</strong></summary>")
        reasons, _, after = after.partition("</details>")
        page = PageReader(text)
        assert step in red and "never the vest of a halo" not in red
        assert "Tracheostomy: the front opening must leave" in red
        assert "never the vest of a halo" in reasons and "the airway cannot wait" in reasons
        record = "".join(page["record"])
        assert text.count(step) - record.count(step) == 1
        assert page["not-recorded"] == []
    assert _judged(client, chin_over_edge="yes")[0]["not-recorded"]


def test_looked_everywhere_is_said_at_the_end(client: TestClient) -> None:
    text = client.get("/fit").text
    last = max(text.index(f'name="{finding}"') for finding in FINDINGS)
    assert last < text.index('name="looked"') < text.index("Judge the fit")


def test_a_region_that_was_not_looked_at_is_marked(client: TestClient) -> None:
    page, _ = _judged(client, **{"looked.head": "yes"})
    assert len(page["unseen"]) == len(REGIONS) - 1
    assert PageReader(client.get("/fit").text)["unseen"] == []


def test_without_a_rule_there_is_no_why(client: TestClient) -> None:
    fits = client.post("/fit", data={**WORN, "looked": "yes"}).text
    assert ">Why<" not in fits and "No rule fired" not in fits
    assert ">Why<" in client.post("/fit", data={**WORN, "chin_over_edge": "yes"}).text


def test_nothing_stops_a_check_of_which_nothing_is_known(client: TestClient) -> None:
    assert PageReader(client.get("/fit").text)["stop"] == []


def test_what_was_looked_at_stays_so_while_the_size_is_asked_for_and_not_at_the_next_look(client: TestClient) -> None:
    def looked(page: PageReader) -> list[str]:
        return [
            given["name"] or "" for tag, given in page.tags if "checked" in given and "looked" in (given["name"] or "")
        ]

    for ticked in ("looked", "looked.head"):
        assert looked(PageReader(client.post("/fit", data={ticked: "yes"}).text)) == [ticked]
    page, _ = _judged(client, chin_over_edge="yes", looked="yes")
    assert page["try"] and looked(page) == []


def test_a_choice_says_no_word_that_its_label_says(client: TestClient) -> None:
    fields = {field.label: dict(field.choices) for field in size_fields(RULESET)}
    assert list(fields) == ["line", "height", "neck circumference", "contour", "back"]
    assert fields["neck circumference"]["G2"] == "330 to under 430 mm" and fields["line"]["adult"] == "adult line"
    assert ">330 to under 430 mm</option>" in client.get("/fit").text


@pytest.mark.parametrize("history", ["[", "[1]", '[{"size": "adult H3 G2", "findings": {"no": "perhaps"}}]'])
def test_what_the_page_carries_cannot_be_bent(client: TestClient, history: str) -> None:
    assert client.post("/fit", data={**WORN, "history": history}).status_code == 400


@pytest.mark.parametrize("path", ["/fit", "/fit/record"])
@pytest.mark.parametrize("given", [WORN, {}, {"size": "adult H3 G2"}, {"looked": "yes"}])
@pytest.mark.parametrize(
    ("history", "named"),
    [
        ('[{"size": "giant"}]', "giant"),
        ('[{"size": "adult H3 G2", "findings": {"no_such": true}}]', "no_such"),
        ('[{"size": "adult H3 G2", "findings": {"age_years": false}}]', "age_years"),
    ],
)
def test_a_try_that_no_rule_knows_is_refused_with_its_name(
    client: TestClient, history: str, named: str, given: dict[str, str], path: str
) -> None:
    """A page may be left open while the rules are renewed. RFC 9110, 15.5.21: what is posted cannot be processed."""
    answer = client.post(path, data={**given, "history": history})
    assert answer.status_code == 422 and named in answer.text and "start" in answer.text
