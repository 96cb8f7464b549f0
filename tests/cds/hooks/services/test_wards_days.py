"""A date without a time is a day of the wards' clocks: at every door a danger of today is not in the future east of UTC."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli.invocation.input_files import InputError, read_input
from cds.fhir.reading.code_map_loader import load_code_map
from cds.settings import Settings
from tests.cds.hook_calls import MEASURED, answer_of, bundle, observation, order_select, patient
from tests.cds.web.routes.operation_calls import data, parameters, subject
from tests.shipped_content import RULESET

LATE = datetime(2026, 1, 31, 20, tzinfo=UTC)
"""The morning of 1 February in Auckland, 13 hours ahead."""
TODAY = observation("airway-threat", True, effectiveDateTime="2026-02-01")
RECORDS = bundle(patient(), *MEASURED, TODAY)


@pytest.fixture(scope="module", params=["Pacific/Auckland", "UTC"])
def service(request: pytest.FixtureRequest, store_url: str) -> Iterator[tuple[TestClient, bool]]:
    """The service with that zone, and whether the day has begun there."""
    settings = Settings(time_zone=request.param)
    with TestClient(create_app(settings, clock=lambda: LATE)) as client:
        yield client, request.param != "UTC"


def test_in_a_hook(service: tuple[TestClient, bool]) -> None:
    client, begun = service
    answer = answer_of(client, "collar-order-select", order_select(*MEASURED, TODAY))
    decision = answer["extension"]["org.example.nuque.decision"]
    assert ("airway_threat" in {fact["name"] for fact in decision["facts"]}) is begun
    assert ("future" in {one["kind"] for one in decision.get("not_used", [])}) is not begun
    assert decision["at"] == "2026-01-31T20:00:00Z"


@pytest.mark.parametrize("at", [None, "2026-01-31T20:00:00Z"])
def test_in_an_operation(service: tuple[TestClient, bool], at: str | None) -> None:
    client, begun = service
    call = parameters(subject("p1"), data(RECORDS), {"name": "expression", "valueString": "airway_threat"}, at=at)
    answer = client.post("/fhir/Library/rigid-neck-collar/$evaluate", json=call)
    assert answer.status_code == 200, answer.text
    (said,) = answer.json()["parameter"]
    assert (said.get("valueBoolean") is True) is begun


def facts(at: datetime | None, sent: Any = RECORDS) -> set[str]:
    written = json.dumps(sent).encode()
    given = read_input(written, "file", RULESET, lambda: load_code_map(RULESET), at, now=LATE)
    assert given.at == LATE
    assert given.at.utcoffset() == (at or LATE).utcoffset()
    return {fact.name for fact in given.facts}  # type: ignore[union-attr]


def test_in_a_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUQUE_TIME_ZONE", "Pacific/Auckland")
    assert "airway_threat" in facts(None)
    # Who names the moment names the clock.
    assert "airway_threat" not in facts(LATE)
    monkeypatch.setenv("NUQUE_TIME_ZONE", "UTC")
    assert "airway_threat" not in facts(None)
    monkeypatch.setenv("NUQUE_TIME_ZONE", "Auckland")
    with pytest.raises(InputError, match="'Auckland' is no IANA name"):
        facts(None)
