"""The writer of cards and audit rows, on SQLite and on a real PostgreSQL."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cds.observability.metrics import Metrics
from cds.settings import StoreSettings
from cds.storage.database import Store
from cds.storage.database_schema import audit, used_tokens
from cds.storage.group_writer import GroupWriter
from tests.cds.live_service import PATIENCE_SECONDS

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def row(number: int, **changed: Any) -> dict[str, Any]:
    made = {"entry": f"{number:06}", "at": AT, "event": "decision", "status": 200, "issuer": "open"}
    return {**made, "ruleset_hash": "a" * 64, "request": "r", **changed}


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    with Store(StoreSettings(store_url=database_url, store_retry_seconds=0.01)) as opened:
        yield opened


def written_by(store: Store, metrics: Metrics | None = None, **settings: Any) -> GroupWriter:
    return GroupWriter(store, StoreSettings(**settings), metrics or Metrics())


def kept(store: Store) -> list[str]:
    with store.reading() as connection:
        return list(connection.execute(sa.select(audit.c.entry).order_by(audit.c.entry)).scalars())


@dataclass
class Commits:
    """Counts the commits of a store, and holds or fails them."""

    count: int = 0
    go_on: threading.Event = field(default_factory=threading.Event)
    error: Exception | None = None

    def watch(self, store: Store) -> None:
        def before(connection: sa.Connection, cursor: Any, statement: str, *rest: Any) -> None:
            if statement.startswith("INSERT INTO audit"):
                assert self.go_on.wait(PATIENCE_SECONDS)
                if self.error is not None:
                    raise self.error

        def counted(connection: sa.Connection) -> None:
            self.count += 1

        assert store.problem() is None
        sa.event.listen(store._engine, "before_cursor_execute", before)
        sa.event.listen(store._engine, "commit", counted)


@pytest.fixture
def commits(store: Store) -> Commits:
    watching = Commits()
    watching.watch(store)
    return watching


def lost(metrics: Metrics) -> float:
    return metrics.registry.get_sample_value("nuque_rows_lost_total", {"table": "audit"}) or 0.0


def test_what_many_threads_hand_over_is_kept_in_a_few_commits(store: Store, commits: Commits) -> None:
    writer = written_by(store)
    threads = [
        threading.Thread(target=lambda n=n: [writer.add(audit, [row(n * 1000 + i)]) for i in range(100)])
        for n in range(5)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    commits.go_on.set()
    assert writer.flush(PATIENCE_SECONDS)
    assert len(kept(store)) == 500
    # The first commit may hold the first row alone, as it waits here; what came meanwhile goes together.
    assert commits.count <= 3
    writer.close()


def test_a_row_that_is_handed_over_twice_is_kept_once(store: Store) -> None:
    writer = written_by(store)
    writer.add(audit, [row(1), row(2)])
    writer.add(audit, [row(2), row(3)])
    writer.close()
    assert kept(store) == ["000001", "000002", "000003"]


def test_a_stop_writes_what_waits_without_its_delay(store: Store) -> None:
    writer = written_by(store, store_delay_ms=1000)
    writer.add(audit, [row(1)])
    writer.add(used_tokens, [{"digest": "d", "expires_at": AT}])
    writer.close()
    assert kept(store) == ["000001"]
    with store.reading() as connection:
        assert connection.execute(sa.select(used_tokens.c.digest)).scalars().all() == ["d"]


def test_a_full_queue_loses_the_newest_and_says_so_until_there_is_room(
    store: Store, commits: Commits, logged: Path
) -> None:
    metrics = Metrics()
    writer = written_by(store, metrics, store_queue_rows=100)
    writer.add(audit, [row(number) for number in range(100)])
    assert (writer.problem(), lost(metrics)) == (None, 0)
    writer.add(audit, [row(100), row(101)])
    assert lost(metrics) == 2
    assert "too many rows wait" in str(writer.problem())
    assert metrics.registry.get_sample_value("nuque_rows_waiting") == 100
    assert "cards and audit trail are lost" in logged.read_text()
    commits.go_on.set()
    assert writer.flush(PATIENCE_SECONDS)
    assert writer.problem() is None
    assert len(kept(store)) == 100
    writer.close()


def test_while_the_store_is_down_rows_wait_for_it(store: Store, commits: Commits) -> None:
    metrics = Metrics()
    writer = written_by(store, metrics)
    commits.error = sa.exc.OperationalError("INSERT", {}, Exception("gone"))
    commits.go_on.set()
    writer.add(audit, [row(1)])
    assert not writer.flush(PATIENCE_SECONDS)
    assert metrics.registry.get_sample_value("nuque_store_failures_total", {"purpose": "writer"}) >= 1
    writer.add(audit, [row(2)])
    commits.error = None
    while not writer.flush(PATIENCE_SECONDS):
        pass
    assert kept(store) == ["000001", "000002"]
    assert lost(metrics) == 0
    writer.close()


def test_a_stop_while_the_store_is_down_ends_and_says_what_is_lost(
    store: Store, commits: Commits, logged: Path
) -> None:
    metrics = Metrics()
    writer = written_by(store, metrics)
    commits.error = sa.exc.OperationalError("INSERT", {}, Exception("gone"))
    commits.go_on.set()
    writer.add(audit, [row(1), row(2)])
    writer.close()
    assert lost(metrics) == 2
    assert "cards and audit trail lost: the store could not be used" in logged.read_text()


def test_a_row_that_no_database_keeps_takes_no_other_with_it(store: Store) -> None:
    metrics = Metrics()
    writer = written_by(store, metrics)
    writer.add(audit, [row(1), row(2, status=None), row(3)])
    writer.close()
    assert kept(store) == ["000001", "000003"]
    assert lost(metrics) == 1


def test_a_writer_that_died_is_a_metric_a_log_line_and_a_problem(store: Store, commits: Commits, logged: Path) -> None:
    metrics = Metrics()
    writer = written_by(store, metrics)
    commits.error = MemoryError()
    commits.go_on.set()
    writer.add(audit, [row(1)])
    assert not writer.flush(PATIENCE_SECONDS)
    assert "no longer kept" in str(writer.problem())
    assert metrics.registry.get_sample_value("nuque_store_failures_total", {"purpose": "writer"}) == 1
    assert '"event":"writer ended' in logged.read_text()
    writer.add(audit, [row(2)])
    assert lost(metrics) == 1
    writer.close()
