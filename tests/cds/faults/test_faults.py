"""The service when the world around it breaks: FHIR servers, disks, clocks, neighbours, impatient and slow clients."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.protocol.request import FULL_TEXT
from cds.settings import Settings, StoreSettings
from cds.storage.database import Store
from cds.storage.feedback_export import rows
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.faults.fhir_server import PATIENT, TOKEN
from tests.cds.faults.processes import FaultyFhir, without_prefetch
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import NUQUE, PATIENCE_SECONDS, ROOT, LiveService, running

pytestmark = [pytest.mark.slow, pytest.mark.xdist_group("faults")]

SELECT = "/cds-services/collar-order-select"


def unfetched(fhir: FaultyFhir, prefetch: dict[str, Any] | None = None) -> dict[str, Any]:
    """A call that brings a token in place of the prefetch (or of part of it)."""
    return without_prefetch(fhir.base) | {"prefetch": prefetch or {}}


def ask(fhir: FaultyFhir, call: dict[str, Any] | None = None, **changed: Any) -> httpx.Response:
    """The answer of a service that may read from ``fhir``."""
    given = {"fhir_servers": (fhir.origin,), "private_networks": ("127.0.0.0/8",), "fetch_budget_seconds": 2}
    with TestClient(create_app(Settings(**{**given, **changed}), clock=lambda: AT)) as client:
        return client.post(SELECT, json=call or unfetched(fhir))


# --- the client's FHIR server --------------------------------------------------------------------------------------


def test_what_the_prefetch_lacks_is_read_and_decided_by(fhir: FaultyFhir) -> None:
    answer = ask(fhir)
    assert answer.status_code == 200, answer.text
    decided = {
        fact["name"]: fact["value"] for fact in answer.json()["extension"]["org.example.nuque.decision"]["facts"]
    }
    assert (decided["neck_circumference_mm"], decided["neck_height_mm"]) == (380, 66)


FAULTS = [
    "reset",
    "500",
    "401",
    "redirect_elsewhere",
    "truncated",
    "wrong_json",
    "slow",
    "huge",
    "gzip_bomb",
    "not_http",
]


@pytest.mark.parametrize("fault", FAULTS)
def test_where_nothing_needed_can_be_had_the_answer_is_412(fhir: FaultyFhir, fault: str) -> None:
    fhir.break_as(fault)
    answer = ask(fhir)
    assert answer.status_code == 412
    assert any("prefetch." in where for issue in answer.json()["issue"] for where in issue["expression"])
    assert TOKEN not in answer.text


def test_what_could_not_be_read_is_said_on_the_card(fhir: FaultyFhir) -> None:
    """What can be done without is missing, and cannot be read: the answer stands on what there is, and says so."""
    prefetch = {**order_select(*MEASURED)["prefetch"]}
    prefetch["patient"] = {"resourceType": "Patient", "id": PATIENT, "birthDate": "1984-05-02"}
    del prefetch["encounter"], prefetch["conditions"]
    fhir.break_as("500")
    asked = {**unfetched(fhir, prefetch), "extension": {FULL_TEXT: True}}
    answer = ask(fhir, asked)
    assert answer.status_code == 200, answer.text
    full = [card["extension"][FULL_TEXT] for card in answer.json()["cards"]]
    said = [text for text in full if "conditions could not be had" in text]
    assert said and "answered 500" in said[0]
    assert any("Not used: " in card["detail"] for card in answer.json()["cards"])
    assert fhir.seen()


def test_endless_paging_ends_and_is_said(fhir: FaultyFhir) -> None:
    fhir.break_as("endless_paging")
    answer = ask(fhir)
    assert answer.status_code in (200, 412)
    assert "pages" in answer.text or "something else" in answer.text


def test_a_server_that_is_not_listed_is_not_contacted_by_the_service(fhir: FaultyFhir) -> None:
    answer = ask(fhir, fhir_servers=("https://other.hospital.example",))
    assert answer.status_code == 412
    assert "not allowed to read" in answer.text
    assert fhir.seen() == []


def test_the_access_token_is_in_no_log(fhir: FaultyFhir, logged: Path) -> None:
    for fault in ("none", "401", "500", "reset"):
        fhir.break_as(fault)
        ask(fhir)
    assert TOKEN not in logged.read_text()


# --- clocks --------------------------------------------------------------------------------------------------------


def test_a_clock_that_jumps_back_and_forth_costs_no_answer() -> None:
    now: list[datetime] = [AT]
    with TestClient(create_app(Settings(), clock=lambda: now[0])) as client:
        for jump in (timedelta(0), timedelta(days=-400), timedelta(days=4000), timedelta(seconds=-1), timedelta(0)):
            now[0] = AT + jump
            call = order_select(*MEASURED)
            call["hookInstance"] = str(uuid.uuid4())
            assert client.post(SELECT, json=call).status_code == 200


# --- disks ---------------------------------------------------------------------------------------------------------

FULL_DISK = """
import json, resource, sys, uuid
from datetime import UTC, datetime
from cds.protocol.feedback import FeedbackItem, NotKept
from cds.security.pseudonymisation import Secrecy
from cds.settings import StoreSettings
from cds.storage.database import Store
from tests.cds.storage.databases import card_memory
settings = StoreSettings(store_url=sys.argv[1], pseudonym_key="k" * 32, store_retry_seconds=0.01)
acknowledged, refused = [], 0
with Store(settings) as store:
    memory = card_memory(store, Secrecy(settings, made_up=False))
    assert store.problem() is None
    # No file may grow beyond this: what a full disk or a quota does.
    resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
    for _ in range(400):
        card = str(uuid.uuid4())
        item = {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}
        try:
            memory.keep("collar-order-sign", [FeedbackItem.model_validate(item)] , datetime.now(UTC))
        except NotKept:
            refused += 1
        else:
            acknowledged.append(card)
print(json.dumps([acknowledged, refused]))
"""


def test_a_full_disk_refuses_feedback_and_loses_none_that_was_acknowledged(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    told = subprocess.run([sys.executable, "-c", FULL_DISK, url], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert told.returncode == 0, told.stderr
    acknowledged, refused = json.loads(told.stdout)
    assert refused > 0 and len(acknowledged) > 0
    with Store(StoreSettings(store_url=url)) as store:
        assert set(acknowledged) <= {row["card"] for row in _cards(store)}


def _cards(store: Store) -> list[dict[str, Any]]:
    import sqlalchemy as sa

    from cds.storage.database_schema import feedback

    with store.reading() as connection:
        return [dict(row) for row in connection.execute(sa.select(feedback.c.card)).mappings()]


# --- neighbours ----------------------------------------------------------------------------------------------------


def test_two_processes_share_one_store(database_url: str, tmp_path: Path) -> None:
    environment = {
        "NUQUE_STORE_URL": database_url,
        "NUQUE_TRUST": "jwt",
        "NUQUE_CLIENTS": str(ehr.clients_file(tmp_path)),
        "NUQUE_AUDIENCES": ehr.BASE,
        "NUQUE_PSEUDONYM_KEY": "k" * 32,
    }

    def signed(path: str) -> dict[str, str]:
        now = time.time()
        return {"Authorization": f"Bearer {ehr.token(ehr.claims(aud=ehr.BASE + path, iat=now, exp=now + 120))}"}

    with running(**environment) as one, running(**environment) as two:
        bearer = signed(SELECT)
        first = httpx.post(one.url + SELECT, json=order_select(*MEASURED), headers=bearer, timeout=PATIENCE_SECONDS)
        assert first.status_code == 200
        assert (
            httpx.post(
                two.url + SELECT, json=order_select(*MEASURED), headers=bearer, timeout=PATIENCE_SECONDS
            ).status_code
            == 401
        )
        path = f"{SELECT}/feedback"

        def feed_back(number: int) -> int:
            item = {"card": str(uuid.uuid4()), "outcome": "overridden", "outcomeTimestamp": AT.isoformat()}
            live = (one, two)[number % 2]
            return httpx.post(
                live.url + path, json={"feedback": [item]}, headers=signed(path), timeout=PATIENCE_SECONDS
            ).status_code

        with ThreadPoolExecutor(8) as threads:
            statuses = list(threads.map(feed_back, range(40)))
        # Feedback on a card that the other process issued is known.
        item = {"card": first.json()["cards"][0]["uuid"], "outcome": "overridden", "outcomeTimestamp": AT.isoformat()}
        assert (
            httpx.post(
                two.url + path, json={"feedback": [item]}, headers=signed(path), timeout=PATIENCE_SECONDS
            ).status_code
            == 200
        )
    with Store(StoreSettings(store_url=database_url)) as store:
        kept = list(rows(store))
    assert len(kept) == statuses.count(200) + 1
    # SQLite has one writer at a time, and may send one of many away to come back; PostgreSQL never does.
    assert set(statuses) <= ({200, 503} if database_url.startswith("sqlite") else {200})
    assert sum(row["known"] for row in kept) == 1


# --- clients and the end -------------------------------------------------------------------------------------------


def test_a_client_that_sends_its_body_too_slowly_is_cut_off_and_others_are_served() -> None:
    with running(NUQUE_BODY_SECONDS="0.5") as live:
        host, port = live.url.removeprefix("http://").split(":")
        slow = [socket.create_connection((host, int(port)), timeout=60) for _ in range(20)]
        for connection in slow:
            head = f"POST {SELECT} HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\nContent-Length: 1000\r\n\r\n{{"
            connection.sendall(head.encode())
        assert httpx.get(f"{live.url}/health/live", timeout=PATIENCE_SECONDS).status_code == 200
        for connection in slow:
            assert connection.recv(100).startswith(b"HTTP/1.1 408")
            connection.close()


def stopped_while_answering(live: LiveService, fhir: FaultyFhir) -> httpx.Response:
    """The answer to a call during which the service was asked to stop: once the FHIR server had seen its first question."""
    answers: list[httpx.Response] = []
    call = threading.Thread(
        target=lambda: answers.append(httpx.post(live.url + SELECT, json=unfetched(fhir), timeout=PATIENCE_SECONDS))
    )
    call.start()
    for _ in range(200):
        if fhir.seen():
            break
        time.sleep(0.02)
    os.kill(live.process.pid, signal.SIGTERM)
    call.join()
    (answer,) = answers
    return answer


def test_when_asked_to_stop_it_finishes_what_it_accepted(fhir: FaultyFhir) -> None:
    fhir.break_as("slow")
    environment = {
        "NUQUE_FHIR_SERVERS": fhir.origin,
        "NUQUE_PRIVATE_NETWORKS": "127.0.0.0/8",
        "NUQUE_FETCH_BUDGET_SECONDS": "2",
    }
    with running(**environment) as live:
        assert stopped_while_answering(live, fhir).status_code == 412
        assert live.process.wait(timeout=PATIENCE_SECONDS) in (0, -signal.SIGTERM)


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_the_demonstration_mode_does_not_listen_to_the_network(host: str) -> None:
    ended = subprocess.run(
        [NUQUE, "serve", "--port", "0", "--host", host], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert ended.returncode == 2
    assert "NUQUE_TRUST" in ended.stderr
