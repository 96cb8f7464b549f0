"""Silent mode: nothing is shown, and a report by week says what would have been and how orders agreed with it."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli import main
from cds.settings import Settings
from cds.storage.database import Store
from cds.storage.database_schema import issued_cards, silent_decisions
from cds.storage.silent_log import weeks
from tests.cds.hook_calls import (
    COLLAR_ORDER,
    MEASURED,
    OTHER_ORDER,
    discharge,
    observation,
    order_select,
    order_sign,
    patient_view,
)

FIRST = datetime(2026, 1, 31, 10, tzinfo=UTC)
"""A Saturday of week 5."""
SIZES = "https://nuque.example.org/fhir/CodeSystem/size-classes"
SIGN = "/cds-services/collar-order-sign"


def sized(code: str) -> dict[str, Any]:
    """A draft that states a size; decided for these measurements is adult H3 G2."""
    return {**COLLAR_ORDER, "orderDetail": [{"coding": [{"system": SIZES, "code": code}]}]}


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'silent.sqlite3'}"


@pytest.fixture
def now() -> list[datetime]:
    return [FIRST]


@pytest.fixture
def silent(url: str, now: list[datetime]) -> Iterator[TestClient]:
    # Beforehand: its migrations can be run by one thread of a process at a time.
    with Store(Settings(store_url=url), hurried=False) as store:
        store.bring_up_to_date()
    settings = Settings(silent_mode=True, store_url=url, pseudonym_key="k" * 32)
    with TestClient(create_app(settings, clock=lambda: now[0])) as client:
        yield client


def kept(url: str, calls: int) -> list[dict[str, Any]]:
    """The weeks, once ``calls`` are written: they are beside the answer."""
    for _ in range(600):
        with Store(Settings(store_url=url), hurried=False) as store:
            found = list(weeks(store))
        if sum(week["calls"] for week in found) == calls:
            return found
        time.sleep(0.1)
    raise TimeoutError(f"{calls} silent decisions are not kept: {found}")


@pytest.mark.parametrize(
    ("service", "call"),
    [
        ("collar-order-select", order_select(*MEASURED, observation("airway-threat", True))),
        ("collar-order-sign", order_sign(*MEASURED, drafts=(sized("adult H5 G2"),))),
        ("collar-patient-view", patient_view(*MEASURED, observation("collar-in-place", True))),
        ("collar-discharge", discharge(*MEASURED, observation("collar-in-place", True))),
    ],
)
def test_no_hook_shows_anything_and_each_decides(
    client: TestClient, silent: TestClient, url: str, service: str, call: dict[str, Any]
) -> None:
    shown = client.post(f"/cds-services/{service}", json=call).json()["cards"]
    assert shown
    assert silent.post(f"/cds-services/{service}", json=call).json() == {"cards": []}
    (week,) = kept(url, 1)
    assert (week["service"], week["calls"]) == (service, 1)
    assert week["cards"] == {
        indicator: sum(card["indicator"] == indicator for card in shown)
        for indicator in ("critical", "warning", "info")
    }


def test_orders_are_compared_by_week(silent: TestClient, url: str, now: list[datetime]) -> None:
    for days, order in ((0, "adult H3 G2"), (0, "adult H5 G2"), (1, "adult H5 G1"), (2, "adult H3 G2")):
        now[0] = FIRST + timedelta(days=days)
        assert silent.post(SIGN, json=order_sign(*MEASURED, drafts=(sized(order),))).json() == {"cards": []}
    silent.post(SIGN, json=order_sign(*MEASURED))
    silent.post(SIGN, json=order_sign(*MEASURED, drafts=(OTHER_ORDER,)))
    first, second = kept(url, 5)
    assert (first["week"], first["calls"], first["patients"]) == ("2026-W05", 3, 1)
    assert (first["compared"], first["agree"]) == (3, 1)
    assert first["differ"] == {"girth_band": 1, "height_band": 2}
    assert (second["week"], second["calls"], second["with_order"]) == ("2026-W06", 2, 2)
    assert (second["compared"], second["agree"], second["differ"]) == (1, 1, {})


def test_no_card_counts_as_issued_and_no_patient_is_named(silent: TestClient, url: str) -> None:
    silent.post(SIGN, json=order_sign(*MEASURED, drafts=(sized("adult H5 G2"),)))
    kept(url, 1)
    with Store(Settings(store_url=url), hurried=False) as store, store.reading() as connection:
        assert connection.execute(sa.select(issued_cards)).all() == []
        (row,) = connection.execute(sa.select(silent_decisions)).mappings()
        assert row["agrees"]["height_band"] is False
        assert "p1" not in json.dumps(dict(row), default=str)


def test_the_command_says_it_in_words_and_as_json(
    silent: TestClient, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    silent.post(SIGN, json=order_sign(*MEASURED, drafts=(sized("adult H5 G2"),)))
    kept(url, 1)
    monkeypatch.setenv("NUQUE_STORE_URL", url)
    said = CliRunner().invoke(main, ["store", "silent"])
    assert said.exit_code == 0, said.output
    assert "2026-W05 collar-order-sign: 1 calls for 1 patients" in said.output
    assert "agree 0; differences: height_band 1" in said.output
    lines = CliRunner().invoke(main, ["store", "silent", "--json"]).output.splitlines()
    assert [json.loads(line)["differ"] for line in lines] == [{"height_band": 1}]
    later = CliRunner().invoke(main, ["store", "silent", "--since", "2026-03-01"])
    assert "no silent decision is kept" in later.output
