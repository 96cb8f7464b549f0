"""The decision as plain JSON."""

import pytest
from fastapi.testclient import TestClient

from rules.deciding.decider import Decider
from tests.cds.conftest import AT
from tests.shipped_content import RULESET

FACTS = {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}


def test_the_answer_is_the_decision_of_the_rules(client: TestClient) -> None:
    answer = client.post("/decisions", json={"facts": FACTS, "at": AT.isoformat()})
    assert answer.status_code == 200
    assert answer.json() == Decider(RULESET).decide(FACTS, AT).as_json()


def test_without_a_moment_the_clock_of_the_service_counts(client: TestClient) -> None:
    answer = client.post("/decisions", json={"facts": FACTS})
    assert answer.json()["at"] == "2026-01-31T10:00:00Z"


def test_null_is_unknown(client: TestClient) -> None:
    with_null = client.post("/decisions", json={"facts": {**FACTS, "habitus": None}})
    assert with_null.json() == client.post("/decisions", json={"facts": FACTS}).json()


@pytest.mark.parametrize(
    ("fact", "value", "accepted"),
    [
        ("neck_circumference_mm", 3, "a number from 100 to 1000 mm"),
        ("neck_circumference_mm", "wide", "a number from 100 to 1000 mm"),
        ("neck_circumfrence_mm", 380, "a name of the facts vocabulary"),
        ("neck_height_fingers", 3.3, "a whole or half number from 0.5 to 10 fingers"),
        ("habitus", "round", "one of slight, average, heavy, very_heavy"),
        ("bed_rest", 1, "true or false"),
        ("glasgow_coma_score", 7.5, "a whole number from 3 to 15 points"),
        ("age_years", [41], "a number from 0 to 120 years"),
    ],
)
def test_a_fact_that_cannot_be_used_is_named_with_value_and_range(
    client: TestClient, fact: str, value: object, accepted: str
) -> None:
    answer = client.post("/decisions", json={"facts": {fact: value}})
    assert answer.status_code == 422
    (problem,) = answer.json()["problems"]
    assert (problem["fact"], problem["value"], problem["accepted"]) == (fact, value, accepted)


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "facts"),
        ({"facts": []}, "facts"),
        ({"facts": {}, "at": "2026-02-30T10:00:00Z"}, "at"),
        ({"facts": {}, "at": "2026-02-03T10:00:00"}, "at"),
        ({"facts": {}, "fact": {}}, "fact"),
    ],
)
def test_a_body_of_the_wrong_shape_names_the_field(client: TestClient, body: object, field: str) -> None:
    answer = client.post("/decisions", json=body)
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == [field]


def test_every_fact_is_listed(client: TestClient) -> None:
    listed = client.get("/facts").json()["facts"]
    assert [row["name"] for row in listed] == list(RULESET.vocabulary)


def test_every_rule_can_be_shown(client: TestClient) -> None:
    rules = RULESET.rules
    assert rules
    for rule in rules.values():
        shown = client.get(f"/rules/{rule.id}").json()
        assert (shown["id"], shown["because"]) == (rule.id, rule.because)
        assert set(shown["sources"]) == set(rule.sources)


def test_an_unknown_rule_is_not_found(client: TestClient) -> None:
    answer = client.get("/rules/sizing.nothing")
    assert answer.status_code == 404
    assert "sizing.nothing" in answer.json()["issue"][0]["diagnostics"]


def test_every_answer_names_the_rule_set(client: TestClient) -> None:
    for path in ("/facts", "/health/live", "/nowhere"):
        stamp = client.get(path).headers["Nuque-Ruleset"]
        assert stamp == f"{RULESET.name}/{RULESET.version}; hash={RULESET.hash}"
