"""Feedback that would close the store to others or speak for another client: attacks on the running service."""

import json
import sqlite3
import time
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from cds.storage.database_schema import feedback
from tests.cds import ehr
from tests.cds.hook_calls import observation, order_select
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

SELECT = "/cds-services/collar-order-select"
FEEDBACK = f"{SELECT}/feedback"
OTHER_ISS = "https://ehr.elsewhere.example"
REASON = {"code": "fit-checked", "system": "https://nuque.example.org/fhir/CodeSystem/override-reasons"}


@dataclass(frozen=True)
class TwoClients:
    """A running service that two EHRs may call, and its store."""

    live: LiveService
    store_url: str

    @property
    def database(self) -> Path:
        return Path(self.store_url.removeprefix("sqlite:///"))

    def post(self, path: str, body: Any, iss: str = ehr.ISS) -> httpx.Response:
        now = time.time()
        payload = ehr.claims(iss=iss, aud=ehr.BASE + path, iat=now, exp=now + 120)
        headers = {"Authorization": f"Bearer {ehr.token(payload)}"}
        return httpx.post(f"{self.live.url}{path}", json=body, headers=headers, timeout=PATIENCE_SECONDS)

    def cards(self, patient: str, *worn: dict[str, Any]) -> list[dict[str, Any]]:
        """What a call of the first EHR gets now for a patient with a collar order, with records of a collar that is worn."""
        written = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0).isoformat()
        measured = (observation("neck-height", 66, time=written), observation("neck-circumference", 380, time=written))
        body = json.loads(
            json.dumps(order_select(*measured, *worn)).replace('"p1"', f'"{patient}"').replace("/p1", f"/{patient}")
        )
        answer = self.post(SELECT, {**body, "hookInstance": str(uuid.uuid4())})
        assert answer.status_code == 200, answer.text[:500]
        return [card for card in answer.json()["cards"] if card["indicator"] != "critical"]


@contextmanager
def two_clients(folder: Path, store_url: str) -> Iterator[TwoClients]:
    path = ehr.clients_file(folder)
    first = json.loads(path.read_text())["clients"][0]
    path.write_text(json.dumps({"clients": [first, {**first, "iss": OTHER_ISS}]}))
    given = {
        "NUQUE_TRUST": "jwt",
        "NUQUE_CLIENTS": str(path),
        "NUQUE_AUDIENCES": ehr.BASE,
        "NUQUE_PSEUDONYM_KEY": "k" * 32,
        "NUQUE_STORE_URL": store_url,
    }
    with running(**given) as live:
        yield TwoClients(live, store_url)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TwoClients]:
    folder = tmp_path_factory.mktemp("two")
    with two_clients(folder, f"sqlite:///{folder / 'store.sqlite3'}") as started:
        yield started


def override(card: str, reason: Any = REASON) -> dict[str, Any]:
    given = {} if reason is None else {"overrideReason": {"reason": reason}}
    return {"feedback": [{"card": card, "outcome": "overridden", "outcomeTimestamp": _now(), **given}]}


def statements(number: int) -> dict[str, Any]:
    """Feedback on so many cards."""
    one = override(str(uuid.uuid4()), None)["feedback"][0]
    return {"feedback": [{**one, "card": str(uuid.UUID(int=n))} for n in range(number)]}


def _now() -> str:
    return datetime.now(UTC).isoformat()


def test_another_client_silences_no_card(service: TwoClients) -> None:
    first = service.cards("q1")
    assert first
    assert service.post(FEEDBACK, override(first[0]["uuid"]), iss=OTHER_ISS).status_code == 200
    again = service.cards("q1")
    assert [card["summary"] for card in again] == [card["summary"] for card in first]
    assert service.post(FEEDBACK, override(again[0]["uuid"])).status_code == 200
    assert [card["summary"] for card in service.cards("q1")] == [card["summary"] for card in first[1:]]


def test_feedback_on_a_card_whose_row_comes_later_is_kept_and_bound_then(service: TwoClients) -> None:
    first = service.cards("q2")
    card = first[0]["uuid"]
    # Feedback, also on another card, is acknowledged when the cards before it are written.
    assert service.post(FEEDBACK, override(str(uuid.uuid4()), None)).status_code == 200
    with closing(sqlite3.connect(service.database, timeout=30)) as database, database:
        row = database.execute("SELECT * FROM issued_cards WHERE card = ?", [card]).fetchone()
        database.execute("DELETE FROM issued_cards WHERE card = ?", [card])
    assert service.post(FEEDBACK, override(card)).status_code == 200
    assert [card["summary"] for card in service.cards("q2")] == [card["summary"] for card in first]
    with closing(sqlite3.connect(service.database, timeout=30)) as database, database:
        database.execute(f"INSERT INTO issued_cards VALUES ({','.join('?' * len(row))})", row)
    assert [card["summary"] for card in service.cards("q2")] == [card["summary"] for card in first[1:]]


def test_too_many_statements_are_refused_and_the_store_stays_open(database_url: str, tmp_path: Path) -> None:
    """On PostgreSQL one statement takes at most 65,535 parameters (its documentation, appendix "PostgreSQL Limits")."""
    with two_clients(tmp_path, database_url) as service:
        many = service.post(FEEDBACK, statements(66_000))
        assert (many.status_code, "1000" in many.text) == (400, True), many.text[:300]
        for iss in (ehr.ISS, OTHER_ISS):
            assert service.post(FEEDBACK, statements(1000), iss=iss).is_success
        ready = httpx.get(f"{service.live.url}/health/ready", timeout=PATIENCE_SECONDS).json()
        assert "store" not in ready.get("failing", {})
    engine = sa.create_engine(database_url)
    with engine.connect() as connection:
        kept = connection.execute(sa.select(feedback.c.card)).scalars().all()
    engine.dispose()
    assert sorted(kept) == sorted(2 * [item["card"] for item in statements(1000)["feedback"]])


@pytest.mark.parametrize("typed", ["Said no: Mrs Invented, bed 4", "see\u00a0note", "x" * 200])
def test_words_in_the_place_of_a_code_are_a_comment_and_no_code(service: TwoClients, typed: str) -> None:
    card = service.cards("q3")[0]["uuid"]
    assert service.post(FEEDBACK, override(card, {**REASON, "code": typed})).status_code == 200
    with closing(sqlite3.connect(service.database, timeout=30)) as database, database:
        found = database.execute("SELECT reason_code, comment_given FROM feedback WHERE card = ?", [card]).fetchall()
    assert found == [(None, 1)]


@pytest.mark.parametrize("nothing", [{}, {"feedback": [{}]}])
def test_a_body_that_says_nothing_is_refused(service: TwoClients, nothing: Any) -> None:
    assert service.post(FEEDBACK, nothing).status_code == 400


def test_an_empty_override_reason_is_refused(service: TwoClients) -> None:
    body = override(str(uuid.uuid4()), None)
    body["feedback"][0]["overrideReason"] = {}
    refused = service.post(FEEDBACK, body)
    assert (refused.status_code, "overrideReason" in refused.text) == (400, True)


def test_silence_holds_while_the_collar_is_worn_on(service: TwoClients) -> None:
    """The hours of wear grow with each call; they are no news until rules tell them apart."""
    since = (datetime.now(UTC) - timedelta(hours=10)).isoformat()
    use = {
        "resourceType": "DeviceUseStatement",
        "id": "use-1",
        "status": "active",
        "subject": {"reference": "Patient/p1"},
        "device": {"display": "Rigid neck collar"},
        "timingPeriod": {"start": since},
    }
    first = service.cards("q4", use)
    assert first
    for card in first:
        assert service.post(FEEDBACK, override(card["uuid"])).status_code == 200
    time.sleep(1.1)
    assert service.cards("q4", use) == []
