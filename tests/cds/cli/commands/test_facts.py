"""``nuque facts`` and ``GET /facts`` name each fact with the code that stands for it in FHIR."""

import json

from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.cli import main
from tests.cds.hook_calls import observation, order_select
from tests.shipped_content import RULESET

FACTS = [fact for fact in RULESET.vocabulary.values() if fact.given != "concluded"]


def test_each_fact_has_the_code_that_the_service_reads(client: TestClient) -> None:
    rows = {row["name"]: row for row in client.get("/facts").json()["facts"]}
    assert len(FACTS) > 100
    assert [row for row in rows.values() if not row["code"]] == []
    assert rows["halo_in_place"]["code"] == "halo-in-place"
    call = order_select(observation(rows["halo_in_place"]["code"], True))
    decision = client.post("/cds-services/collar-order-select", json=call).json()["extension"]
    assert {"name": "halo_in_place", "value": True}.items() <= decision["org.example.nuque.decision"]["facts"][
        -1
    ].items()


def test_the_command_says_the_same(client: TestClient) -> None:
    answer = CliRunner().invoke(main, ["facts", "--json"])
    assert answer.exit_code == 0
    said = [{key: value for key, value in row.items() if value is not None} for row in json.loads(answer.output)]
    assert said == client.get("/facts").json()["facts"]


def test_an_answer_that_stays_usable_for_longer_is_said_in_hours() -> None:
    said = CliRunner().invoke(main, ["facts", "airway"]).output
    assert "    code: airway-threat" in said
    assert "    usable longer: true for " in said and "{}" not in said and "{'" not in said


def test_without_a_word_it_is_the_names_by_what_they_are_read_for() -> None:
    said = CliRunner().invoke(main, ["facts"]).output
    assert len(said.splitlines()) < 80 and max(map(len, said.splitlines())) <= 100
    names = said.replace(",", " ").split()
    assert [fact.name for fact in FACTS if names.count(fact.name) != 1] == []
    assert "dangers\n" in said and "skin\n" in said and "worked out by rules, and never given\n" in said
    values = CliRunner().invoke(main, ["facts", "--parameters"]).output
    assert "height_edge_h3_mm: 60 mm\n" in values and "meaning:" not in values


def test_a_number_is_accepted_in_the_words_that_people_write() -> None:
    assert "    accepted: a number from 0 to 120 years\n" in CliRunner().invoke(main, ["facts", "age_years"]).output


def test_words_pick_the_facts_that_hold_each_of_them() -> None:
    run = CliRunner().invoke
    named = [line for line in run(main, ["facts", "Coma", "score"]).output.splitlines() if line[:1].strip()]
    assert "glasgow_coma_score" in named and "neck_height_mm" not in named and len(named) < 20
    picked = json.loads(run(main, ["facts", "--parameters", "--json", "drowsy"]).output)
    assert "drowsy_coma_score" in {row["name"] for row in picked}
    none = run(main, ["facts", "no such fact"])
    assert none.exit_code == 2 and "nothing holds 'no such fact'; try fewer or shorter words" in none.output
