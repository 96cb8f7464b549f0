"""What a crash of the running service can lose: the newest cards and audit rows, never feedback that was acknowledged.

The delay of the writer is set as long as can be, so that the kill strikes rows that wait.
"""

import uuid
from dataclasses import dataclass, field
from datetime import UTC, datetime

import httpx
import pytest
import sqlalchemy as sa

from cds.settings import StoreSettings
from cds.storage.database import Store
from cds.storage.database_schema import audit, feedback, issued_cards
from tests.cds.hook_calls import observation, order_select
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running

pytestmark = pytest.mark.slow

SELECT = "/cds-services/collar-order-select"
KILLS = 3
DELAY_MS = 60_000


@dataclass
class Answered:
    """What clients were told, oldest first; of cards and requests those before the last feedback are ``safe``."""

    cards: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    feedback: list[str] = field(default_factory=list)
    safe_cards: int = 0
    safe_requests: int = 0


def call(client: httpx.Client, told: Answered) -> str:
    now = datetime.now(UTC).isoformat()
    measured = (observation("neck-height", 66, time=now), observation("neck-circumference", 380, time=now))
    answer = client.post(SELECT, json={**order_select(*measured), "hookInstance": str(uuid.uuid4())})
    assert answer.status_code == 200
    cards = [str(card["uuid"]) for card in answer.json()["cards"]]
    told.cards += cards
    told.requests.append(answer.headers["Nuque-Request"])
    return cards[0]


def override(client: httpx.Client, told: Answered, card: str) -> None:
    item = {"card": card, "outcome": "overridden", "outcomeTimestamp": datetime.now(UTC).isoformat()}
    assert client.post(f"{SELECT}/feedback", json={"feedback": [item]}).status_code == 200
    told.feedback.append(card)
    told.safe_cards, told.safe_requests = len(told.cards), len(told.requests)


def killed_life(live: LiveService, told: Answered, number: int) -> None:
    """Calls, feedback, more calls, and then the process is gone in the middle of it."""
    with httpx.Client(base_url=live.url, timeout=PATIENCE_SECONDS) as client:
        # Feedback on the first card after the second, so that the audit row of the first call has been handed over too.
        first = call(client, told)
        call(client, told)
        override(client, told, first)
        told.safe_requests -= 1
        for _ in range(number + 1):
            call(client, told)
    live.process.kill()
    live.process.wait()


def test_a_kill_loses_the_newest_cards_and_audit_rows_and_no_feedback(database_url: str) -> None:
    lives = []
    for number in range(KILLS):
        told = Answered()
        with running(NUQUE_STORE_URL=database_url, NUQUE_STORE_DELAY_MS=str(DELAY_MS)) as live:
            killed_life(live, told, number)
        lives.append(told)
    with Store(StoreSettings(store_url=database_url)) as store, store.reading() as connection:
        cards = set(connection.execute(sa.select(issued_cards.c.card)).scalars())
        requests = set(connection.execute(sa.select(audit.c.request).where(audit.c.event == "decision")).scalars())
        fed_back = set(connection.execute(sa.select(feedback.c.card)).scalars())
    for told in lives:
        assert set(told.feedback) <= fed_back
        for answered, safe, kept in (
            (told.cards, told.safe_cards, cards),
            (told.requests, told.safe_requests, requests),
        ):
            there = [each in kept for each in answered]
            # Written in the order in which they came: whatever is lost is the newest, and nothing from before feedback.
            assert there == sorted(there, reverse=True)
            assert all(there[:safe])
    # The kills must really strike rows that wait, or this would show nothing.
    assert any(not set(told.cards) <= cards for told in lives)


def test_a_stop_loses_nothing(database_url: str) -> None:
    told = Answered()
    given = {"NUQUE_STORE_URL": database_url, "NUQUE_STORE_DELAY_MS": str(DELAY_MS)}
    with running(**given) as live, httpx.Client(base_url=live.url, timeout=PATIENCE_SECONDS) as client:
        for _ in range(3):
            call(client, told)
    with Store(StoreSettings(store_url=database_url)) as store, store.reading() as connection:
        assert set(told.cards) <= set(connection.execute(sa.select(issued_cards.c.card)).scalars())
        assert set(told.requests) <= set(connection.execute(sa.select(audit.c.request)).scalars())
