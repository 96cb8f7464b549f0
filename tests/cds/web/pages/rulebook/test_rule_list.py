"""The pages of rules: every rule at its address, searched by words, and JSON for programs at the same address."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.pages.rulebook.condition_words import condition_words
from rules.model.conditions import Known, Unknown
from rules.testing.cases import load_cases
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}


def _found(client: TestClient, **asked: str) -> list[str]:
    answer = client.get("/rules", params=asked, headers=BROWSER)
    assert answer.status_code == 200
    return [
        (given.get("href") or "").removeprefix("/rules/")
        for tag, given in PageReader(answer.text).tags
        if tag == "a" and (given.get("href") or "").startswith("/rules/") and given.get("class") != "button"
    ]


def test_every_rule_is_listed_and_linked(client: TestClient) -> None:
    assert sorted(_found(client)) == sorted(RULESET.rules)


def test_each_rule_says_when_then_why_and_on_what(client: TestClient) -> None:
    some = list(RULESET.rules.values())[::20]
    assert len(some) > 5
    for rule in some:
        answer = client.get(f"/rules/{rule.id}", headers=BROWSER)
        assert answer.status_code == 200, rule.id
        page = PageReader(answer.text)
        assert page["because"] == [" ".join(rule.because.split())]
        assert page["when"] and page["then"] and len(page["source"]) == len(rule.sources)


def test_a_condition_stands_in_words_with_units_and_as_it_is_written(client: TestClient) -> None:
    """`sizing.girth.measured_g4` compares with 635 mm and needs a line that is not one of five."""
    text = client.get("/rules/sizing.girth.measured_g4", headers=BROWSER).text
    (when,) = PageReader(text)["when"]
    assert when.startswith("All of these") and "at least 635 mm" in when and "Line of sizes: none of infant" in when
    assert "neck_circumference_high_mm &gt;= 635" in text and "_mm" not in when


def test_what_rules_conclude_is_not_called_unknown() -> None:
    concluded = next(name for name, fact in RULESET.vocabulary.items() if fact.given == "concluded")
    recorded = next(name for name, fact in RULESET.vocabulary.items() if fact.given != "concluded")
    assert condition_words(RULESET, Unknown(concluded)).words.endswith(": not said by a rule")
    assert condition_words(RULESET, Known(concluded)).words.endswith(": said by a rule")
    assert condition_words(RULESET, Unknown(recorded)).words.endswith(": not known")


def test_the_kind_of_a_source_is_said_once(client: TestClient) -> None:
    kinds = {source.kind.replace("_", " ") for source in RULESET.sources.values()}
    cited: set[str] = set()
    asked = []
    for rule in sorted(RULESET.rules.values(), key=lambda rule: -len(rule.sources)):
        if not cited.issuperset(rule.sources):
            cited.update(rule.sources)
            asked.append(rule)
    assert len(cited) > 80
    told = [
        source
        for rule in asked
        for source in PageReader(client.get(f"/rules/{rule.id}", headers=BROWSER).text)["source"]
    ]
    assert any(one.endswith(")") for one in told)
    assert [one for one in told for kind in kinds if one.lower().startswith(kind) and f"({kind}" in one] == []


def test_programs_get_json_at_the_same_address(client: TestClient) -> None:
    assert client.get("/rules").headers["content-type"] == "application/json"
    assert client.get("/rules/sizing.line.adult").json()["id"] == "sizing.line.adult"
    assert client.get("/rules/sizing.line.adult", headers=BROWSER).text.startswith("<!doctype html>")


def test_an_address_without_a_rule_is_not_found(client: TestClient) -> None:
    assert client.get("/rules/no.such.rule", headers=BROWSER).status_code == 404


def test_a_search_narrows_by_words_topic_and_evidence(client: TestClient) -> None:
    by_words = _found(client, q="halo")
    assert by_words and len(by_words) < 40 and "sizing.line.adult" not in by_words
    assert set(_found(client, topic="skin")) == {rule.id for rule in RULESET.rules.values() if rule.topic == "skin"}
    published = _found(client, evidence="published")
    assert published == [rule.id for rule in RULESET.rules.values() if "published" in RULESET.evidence(rule)]
    assert _found(client, q="halo", topic="skin", evidence="published", local="yes") == []


def test_what_has_the_words_in_its_title_is_found_first(client: TestClient) -> None:
    found = _found(client, q="halo")
    named = ["halo" in RULESET.rules[rule].title.lower() for rule in found]
    assert True in named and False in named and named == sorted(named, reverse=True)


@pytest.mark.parametrize("asked", [{"q": "no such words"}, {"topic": "no_topic"}])
def test_where_nothing_is_found_the_page_says_what_to_do(client: TestClient, asked: dict[str, str]) -> None:
    text = client.get("/rules", params=asked, headers=BROWSER).text
    assert "0 found." in text and '<a href="/rules">all rules by topic</a>' in text
    assert ("No topic is called “no_topic”" in text) == ("topic" in asked)


@pytest.mark.parametrize("path", ["", "/map", "/parameters", "/changes", "/versions"])
def test_a_page_is_called_by_the_words_that_lead_to_it(client: TestClient, path: str) -> None:
    text = client.get(f"/rules{path}", headers=BROWSER).text
    (heading,) = re.findall("<h1>(.*?)</h1>", text)
    leads = client.get("/rules", headers=BROWSER).text
    assert re.search(f'href="/rules{path}"[^>]*>{heading}</a>', leads) and f"<title>{heading} · Nuque</title>" in text


def test_what_nobody_has_to_confirm_stands_last(client: TestClient) -> None:
    page = PageReader(client.get("/rules/parameters", headers=BROWSER).text)
    assert page["who"][-1].startswith("Nobody has to confirm")


def _numbers(client: TestClient, **asked: str) -> list[str]:
    """The names of the numbers that are shown."""
    answer = client.get("/rules/parameters", params=asked, headers=BROWSER)
    assert answer.status_code == 200
    return re.findall(r"In an overlay: <code>(\w+)</code>", answer.text)


def test_a_number_is_found_by_its_words_its_value_and_the_rules_that_read_it(client: TestClient) -> None:
    assert set(_numbers(client)) == set(RULESET.parameters)
    found = _numbers(client, q="Finger breadth")
    own = ["finger" in RULESET.parameters[name].meaning.lower() for name in found]
    # Those whose own words say it stand before those that a rule of that name reads.
    assert True in own and False in own and own == sorted(own, reverse=True)
    assert _numbers(client, q="635 mm") and _numbers(client, q="finger_width_mm") == ["finger_width_mm"]
    (rule,) = [one for one in RULESET.rules.values() if one.id == "sizing.girth.measured_g4"]
    assert set(rule.parameters) <= set(_numbers(client, q=rule.title))
    assert _numbers(client, q="no such words") == []


def test_of_the_numbers_those_to_confirm_can_be_had_alone(client: TestClient) -> None:
    asked = {name for name, one in RULESET.parameters.items() if one.confirm}
    assert 0 < len(asked) < len(RULESET.parameters) and set(_numbers(client, confirm="yes")) == asked


def test_where_no_number_is_found_the_page_says_what_to_do(client: TestClient) -> None:
    text = client.get("/rules/parameters", params={"q": "no such words"}, headers=BROWSER).text
    assert "0 found." in text and '<a href="/rules/parameters">all numbers</a>' in text
    found = client.get("/rules/parameters", params={"q": "finger"}, headers=BROWSER).text
    assert '<details class="group" open>' in found
    assert '<details class="group" open>' not in client.get("/rules/parameters", headers=BROWSER).text


def test_the_rules_that_rest_on_one_source_are_found(client: TestClient) -> None:
    name = "practice-fingers"
    resting = {rule.id for rule in RULESET.rules.values() if name in rule.sources}
    assert 0 < len(resting) < 40 and set(_found(client, source=name)) == resting
    page = PageReader(client.get("/rules", params={"source": name}, headers=BROWSER).text)
    assert page["source"] == [RULESET.sources[name].citation]
    offered = {given.get("value") for tag, given in page.tags if tag == "option"}
    assert {source for rule in RULESET.rules.values() for source in rule.sources} <= offered


def test_what_is_searched_for_stays_text(client: TestClient) -> None:
    for path in ("/rules", "/rules/parameters"):
        assert "<script>x" not in client.get(path, params={"q": '"><script>x'}, headers=BROWSER).text


@pytest.mark.parametrize("public_url", ["https://cds.example.org", None])
def test_the_source_of_a_card_leads_to_the_page_of_rules(store_url: str, public_url: str | None) -> None:
    with TestClient(create_app(Settings(public_url=public_url))) as client:
        cards = client.post("/cds-services/collar-order-select", json=order_select(*MEASURED)).json()["cards"]
        assert cards
        for card in cards:
            # Without an address of its own the service is on this machine, in open mode.
            assert card["source"]["url"] == f"{public_url or 'http://127.0.0.1:8000'}/rules"
        assert client.get("/rules", headers=BROWSER).status_code == 200


def test_a_rule_shows_its_worked_cases_and_near_misses(client: TestClient) -> None:
    cases = load_cases(RULESET)
    page = PageReader(client.get("/rules/skin.braden.mild", headers=BROWSER).text)
    assert len(page["fires"]) == sum("skin.braden.mild" in case.fires for case in cases) > 1
    assert len(page["silent"]) == sum("skin.braden.mild" in case.silent for case in cases) > 0
    assert any("skin-braden-mild" in one for one in page["fires"])


def test_every_number_stands_under_each_of_those_who_confirm_it(client: TestClient) -> None:
    page = PageReader(client.get("/rules/parameters", headers=BROWSER).text)
    counts = {who.rpartition(" (")[0]: int(who.rpartition("(")[2][:-1]) for who in page["who"]}
    to_confirm = [one for one in RULESET.parameters.values() if one.confirm]
    readers = {
        one.name: {rule.topic for rule in RULESET.rules.values() if one.name in rule.parameters} for one in to_confirm
    }
    asked = {name: {RULESET.confirmed_by[topic] for topic in topics} for name, topics in readers.items()}
    expected = Counter(
        f"To be confirmed by: {who}" for all_of_it in asked.values() for who in all_of_it or {"the site"}
    )
    expected["Nobody has to confirm"] = len(RULESET.parameters) - len(to_confirm)
    assert counts == dict(expected) and len(counts) > 5 and len(to_confirm) > 10
    assert sum(" Also: " in one for one in page["parameter"]) == sum(len(who) for who in asked.values() if len(who) > 1)
    only = PageReader(client.get("/rules/parameters", params={"confirm": "yes"}, headers=BROWSER).text)
    assert len(only["parameter"]) == expected.total() - expected["Nobody has to confirm"]
    assert set(page["parameter"]) > set(only["parameter"])


def test_a_value_of_the_site_stands_beside_its_default_and_reason() -> None:
    with TestClient(create_app(Settings(overlays=(Path("demo_bundles/site.yaml"),)))) as client:
        page = PageReader(client.get("/rules/parameters", headers=BROWSER).text)
    changed = next(one for one in page["parameter"] if "height_edge_h3_mm" in one)
    assert "58" in changed and "default 60" in changed and "Hillside" in changed
