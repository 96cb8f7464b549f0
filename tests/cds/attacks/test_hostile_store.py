"""A store that is locked, stands still, or is spoiled under the running service: decisions go on, and nothing false is said."""

import shutil
import socket
import sqlite3
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from cryptography.fernet import Fernet
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.observability.metrics import Metrics
from cds.protocol.feedback import FeedbackItem, NotKept
from cds.security.pseudonymisation import Secrecy
from cds.settings import Settings, StoreSettings
from cds.storage.card_repository import CardMemory
from cds.storage.database import Store
from cds.storage.database_schema import feedback
from cds.storage.deadlines import MOST_WAIT_SECONDS, DeadlineExceeded, DeadlineRunner
from cds.storage.group_writer import GroupWriter
from tests.cds import ehr
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.live_service import PATIENCE_SECONDS, LiveService, running
from tests.cds.storage.databases import emptied, locked, stopped
from tests.cds.web.test_guarded_service import signed

SELECT = "/cds-services/collar-order-select"
CALLS = 8


def decides(live: LiveService, calls: int = CALLS) -> None:
    """Each of some calls gets its cards."""
    assert calls
    for _ in range(calls):
        body = {**order_select(*MEASURED), "hookInstance": str(uuid.uuid4())}
        answer = httpx.post(f"{live.url}{SELECT}", json=body, timeout=PATIENCE_SECONDS)
        assert (answer.status_code, bool(answer.json()["cards"])) == (200, True), answer.text[:300]


def store_is_ready(live: LiveService) -> bool:
    return "store" not in httpx.get(f"{live.url}/health/ready", timeout=PATIENCE_SECONDS).json().get("failing", {})


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """How many seconds each answer of the store was waited for, where none ever comes."""
    waited: list[float] = []

    def never_answers(self: DeadlineRunner, work: Callable[[], Any], seconds: float) -> Any:
        waited.append(seconds)
        raise DeadlineExceeded("it does not answer")

    monkeypatch.setattr(DeadlineRunner, "run", never_answers)
    return waited


def test_all_that_one_call_waits_for_the_store_stays_below_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The token, the search for repeats and the decision record each ask the store. How fast this machine is plays no part."""
    waited: list[float] = []

    def never_answers(self: DeadlineRunner, work: Callable[[], Any], seconds: float) -> Any:
        waited.append(max(0.0, seconds) / 2)
        time.sleep(waited[-1])
        raise DeadlineExceeded("it does not answer")

    given = {
        "trust": "jwt",
        "clients": ehr.clients_file(tmp_path),
        "audiences": (ehr.BASE,),
        "pseudonym_key": "k" * 32,
        "record_keys": (Fernet.generate_key().decode(),),
        "store_url": f"sqlite:///{tmp_path / 'store.sqlite3'}",
    }
    with TestClient(create_app(Settings(**given), clock=lambda: AT)) as client:
        monkeypatch.setattr(DeadlineRunner, "run", never_answers)
        answer = client.post(SELECT, json=order_select(*MEASURED), headers=signed())
    assert (answer.status_code, bool(answer.json()["cards"])) == (200, True)
    assert len(waited) >= 3
    assert 0 < sum(waited) <= MOST_WAIT_SECONDS < 1


def test_no_call_waits_for_a_store_that_did_not_open_at_the_start(tmp_path: Path, asked: list[float]) -> None:
    with TestClient(create_app(Settings(store_url=f"sqlite:///{tmp_path / 'store.sqlite3'}"))) as client:
        at_the_start = len(asked)
        assert client.post(SELECT, json=order_select(*MEASURED)).status_code == 200
    assert at_the_start == 1
    assert 0 < max(asked[1:]) <= MOST_WAIT_SECONDS


def test_a_worker_that_replaces_another_waits_no_longer_for_the_store_than_a_call(
    tmp_path: Path, asked: list[float]
) -> None:
    """Calls wait in its socket until it has started."""
    app = create_app(Settings(store_url=f"sqlite:///{tmp_path / 'store.sqlite3'}"))
    app.state.replaces = True
    with TestClient(app) as client:
        assert asked == [MOST_WAIT_SECONDS]
        assert client.post(SELECT, json=order_select(*MEASURED)).status_code == 200


def test_a_locked_sqlite_holds_no_decision_up(tmp_path: Path) -> None:
    """SQLite waits five seconds for a lock; a decision does not."""
    file = tmp_path / "store.sqlite3"
    with running(NUQUE_STORE_URL=f"sqlite:///{file}") as live:
        decides(live)
        with locked(file):
            decides(live)


class Relay:
    """Between the service and PostgreSQL. Frozen, it takes what comes and hands nothing on, as a process does under SIGSTOP."""

    def __init__(self, url: sa.URL) -> None:
        self._url, self._goes_on = url, threading.Event()
        self._goes_on.set()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def freeze(self) -> None:
        self._goes_on.clear()

    def thaw(self) -> None:
        self._goes_on.set()

    def _connected(self) -> socket.socket:
        host = str(self._url.query.get("host") or self._url.host or "127.0.0.1")
        port = self._url.port or 5432
        if not host.startswith("/"):
            return socket.create_connection((host, port))
        there = socket.socket(socket.AF_UNIX)
        there.connect(f"{host}/.s.PGSQL.{port}")
        return there

    def _serve(self) -> None:
        while True:
            try:
                here, _ = self._server.accept()
            except OSError:
                return
            there = self._connected()
            for source, goal in ((here, there), (there, here)):
                threading.Thread(target=self._hand_on, args=(source, goal), daemon=True).start()

    def _hand_on(self, source: socket.socket, goal: socket.socket) -> None:
        try:
            while part := source.recv(65_536):
                self._goes_on.wait()
                goal.sendall(part)
        except OSError:
            pass
        finally:
            for one in (source, goal):
                one.close()

    def close(self) -> None:
        self._server.close()
        self.thaw()


@contextmanager
def relayed(url: str) -> Iterator[tuple[Relay, str]]:
    parsed = sa.make_url(url)
    relay = Relay(parsed)
    through = parsed.set(host="127.0.0.1", port=relay.port, query={})
    try:
        yield relay, through.render_as_string(hide_password=False)
    finally:
        relay.close()


@pytest.mark.postgres
def test_a_postgresql_that_stands_still_holds_no_decision_up(postgres_url: str) -> None:
    with relayed(emptied(postgres_url)) as (relay, url), running(NUQUE_STORE_URL=url) as live:
        decides(live)
        relay.freeze()
        try:
            decides(live)
            assert not store_is_ready(live)
        finally:
            relay.thaw()


@pytest.mark.postgres
def test_a_postgresql_whose_processes_are_stopped_holds_no_decision_up(postgres_url: str) -> None:
    with running(NUQUE_STORE_URL=emptied(postgres_url), NUQUE_STORE_RETRY_SECONDS="0.1") as live:
        decides(live)
        with stopped(postgres_url):
            decides(live)
            assert not store_is_ready(live)
            decides(live)
        for _ in range(600):
            if store_is_ready(live):
                break
            time.sleep(0.1)
        else:
            pytest.fail("the store was not found again")
        assert httpx.post(
            f"{live.url}{SELECT}/feedback", json=statement(str(uuid.uuid4())), timeout=PATIENCE_SECONDS
        ).is_success


@pytest.mark.postgres
def test_a_service_that_starts_while_postgresql_is_stopped_decides(postgres_url: str) -> None:
    url = emptied(postgres_url)
    with stopped(postgres_url), running(NUQUE_STORE_URL=url) as live:
        decides(live)
        assert not store_is_ready(live)


def statement(card: str) -> dict[str, Any]:
    """Feedback on ``card``."""
    return {"feedback": [{"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}]}


def empty(file: Path) -> None:
    file.write_bytes(b"")


def replace(file: Path) -> None:
    other = file.with_name("other")
    sqlite3.connect(other).close()
    other.write_bytes(b"")
    other.replace(file)


def overwrite_log(file: Path) -> None:
    log = Path(f"{file}-wal")
    log.write_bytes(b"x" * max(log.stat().st_size, 100))


def drop_table(file: Path) -> None:
    with closing(sqlite3.connect(file, timeout=30)) as database, database:
        database.execute("DROP TABLE feedback")
    database.close()


@pytest.mark.parametrize("spoil", [empty, replace, overwrite_log, drop_table])
def test_nothing_is_acknowledged_that_a_crash_would_lose(tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    """What is acknowledged is found in a copy of the files as they are on the disk then, which is what a crash leaves."""
    file = tmp_path / "store.sqlite3"
    settings = StoreSettings(store_url=f"sqlite:///{file}", pseudonym_key="k" * 32, store_retry_seconds=0.01)
    acknowledged: list[str] = []
    seen: list[str | None] = []
    with Store(settings) as store:
        writer = GroupWriter(store, settings, Metrics())
        memory = CardMemory(store, Secrecy(settings, made_up=False), writer)

        def say() -> bool:
            card = str(uuid.uuid4())
            item = FeedbackItem.model_validate(
                {"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-01-31T10:00:00Z"}
            )
            try:
                memory.keep("collar-order-sign", [item], datetime.now(UTC))
            except NotKept:
                return False
            acknowledged.append(card)
            return True

        assert say()
        acknowledged.clear()  # What was kept before is what the attack destroys.
        spoil(file)
        for _ in range(4):
            say()
            seen.append(store.problem())
            time.sleep(0.05)
        after = tmp_path / "after"
        after.mkdir()
        for path in (file, Path(f"{file}-wal")):
            if path.exists():
                shutil.copy(path, after / path.name)
        writer.close()
    kept: set[str] = set()
    if acknowledged:
        copied = settings.model_copy(update={"store_url": f"sqlite:///{after / file.name}"})
        with Store(copied) as restarted, restarted.reading() as connection:
            kept = set(connection.execute(sa.select(feedback.c.card)).scalars())
    assert set(acknowledged) <= kept
    assert len(acknowledged) == 4 or any(seen), "neither kept nor said"


@pytest.mark.parametrize("spoil", [empty, replace, overwrite_log, drop_table])
def test_the_running_service_acknowledges_nothing_that_is_gone_after_a_crash(
    tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    file = tmp_path / "store.sqlite3"
    acknowledged: list[str] = []
    said = False
    with running(NUQUE_STORE_URL=f"sqlite:///{file}", NUQUE_STORE_RETRY_SECONDS="0.5") as live:
        # Long enough that a refused statement is still seen in the readiness asked for right after it.

        def say() -> bool:
            card = str(uuid.uuid4())
            answer = httpx.post(f"{live.url}{SELECT}/feedback", json=statement(card), timeout=PATIENCE_SECONDS)
            assert answer.status_code in (200, 503), answer.text[:300]
            if answer.status_code == 200:
                acknowledged.append(card)
            return answer.status_code == 200

        decides(live, 1)
        assert say()
        acknowledged.clear()  # What was kept before is what the attack destroys.
        spoil(file)
        kept_all = True
        for _ in range(4):
            kept_all = say() and kept_all
            said = not store_is_ready(live) or said
            decides(live, 1)
        live.process.kill()
        live.process.wait()
    assert kept_all or said, "neither kept nor said"
    if acknowledged:
        with Store(StoreSettings(store_url=f"sqlite:///{file}")) as restarted, restarted.reading() as connection:
            assert set(acknowledged) <= set(connection.execute(sa.select(feedback.c.card)).scalars())
