"""durable_rules decides in the running service: what is taken out of its host alone is gone from the answer."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from durable.engine import Ruleset
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds.hook_calls import MEASURED, order_select

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def answer(folder: Path) -> dict[str, object]:
    settings = Settings(store_url=f"sqlite:///{folder}/store.sqlite3")
    with TestClient(create_app(settings, clock=lambda: AT)) as client:
        answered = client.post("/cds-services/collar-order-select", json=order_select(*MEASURED))
    assert answered.status_code == 200
    decision: dict[str, object] = answered.json()["extension"]["org.example.nuque.decision"]
    return decision


def test_a_rule_taken_out_of_the_host_alone_is_gone_from_the_answer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = answer(tmp_path)
    compiled = Ruleset.__init__
    taken: list[str] = []

    def without_the_height(self: Ruleset, name: str, host: object, definition: dict[str, dict[str, object]]) -> None:
        """Nothing in the host compares the measured height of the neck any more."""
        measured = [rule for rule, written in definition.items() if '"neck_height_mm"' in json.dumps(written["all"])]
        taken.extend(measured)
        compiled(self, name, host, {rule: written for rule, written in definition.items() if rule not in measured})

    monkeypatch.setattr(Ruleset, "__init__", without_the_height)
    after = answer(tmp_path)
    assert taken
    assert before["axes"]["height_band"]["value"] == "H3"  # type: ignore[index]
    assert after["axes"]["height_band"].get("confidence") != "measured"  # type: ignore[index]
