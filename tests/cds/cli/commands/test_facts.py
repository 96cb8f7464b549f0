"""``nuque facts`` and ``GET /facts`` name each fact with the code that stands for it in FHIR."""

import json

from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.cli import main
from rules.loading.loader import load_ruleset
from tests.cds.hook_calls import observation, order_select

FACTS = [fact for fact in load_ruleset().vocabulary.values() if fact.given != "concluded"]


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
    said = CliRunner().invoke(main, ["facts"]).output
    assert "    code: airway-threat" in said
    assert "    usable longer: true for " in said and "{}" not in said and "{'" not in said


def test_words_pick_the_facts_that_hold_each_of_them() -> None:
    run = CliRunner().invoke
    named = [line for line in run(main, ["facts", "Coma", "score"]).output.splitlines() if line[:1].strip()]
    assert "glasgow_coma_score" in named and "neck_height_mm" not in named and len(named) < 20
    picked = json.loads(run(main, ["facts", "--parameters", "--json", "drowsy"]).output)
    assert "drowsy_coma_score" in {row["name"] for row in picked}
    none = run(main, ["facts", "no such fact"])
    assert none.exit_code == 1 and "nothing holds 'no such fact'; try fewer or shorter words" in none.output
