"""One writer for what is kept beside the answer: issued cards and the audit trail, committed in groups.

No answer waits for the disk. A row is there within the delay of the settings and the time of one commit; what was not yet is
lost when the process is killed. While the store is down rows wait for it, as many as the queue holds.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterable, Mapping
from itertools import groupby, islice
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import DataError, IntegrityError

from cds.observability.logging import failure, log
from cds.observability.metrics import Metrics
from cds.settings import StoreSettings
from cds.storage.database import Store, StoreDown, insert_new

Row = Mapping[str, Any]

_GROUP = 1_000
"""Most rows of one commit."""
_STOP_SECONDS = 10.0


class GroupWriter:
    """Takes rows from any thread and commits them in the order in which they came, from a thread of its own."""

    def __init__(self, store: Store, settings: StoreSettings, metrics: Metrics) -> None:
        """Write to ``store``; what is lost is counted in ``metrics``."""
        self._store, self._metrics = store, metrics
        self._delay, self._most = settings.store_delay_ms / 1000, settings.store_queue_rows
        self._changed = threading.Condition()
        self._waiting: deque[tuple[sa.Table, Row]] = deque()
        self._taken = self._done = self._failures = 0
        """Rows that were ever taken, those of them that were dealt with, and commits that failed."""
        self._thread: threading.Thread | None = None
        self._hurried = self._stopping = self._given_up = self._losing = False
        self._ended: str | None = None

    def add(self, table: sa.Table, rows: Iterable[Row]) -> None:
        """Hand over ``rows`` of ``table`` and wait for nothing. Rows that are kept already stay as they are."""
        new = [(table, row) for row in rows]
        with self._changed:
            if self._ended is not None:
                self._refuse(new, self._ended)
            elif len(self._waiting) + len(new) > self._most:
                self._refuse(new, "too many rows wait for the store")
            else:
                self._take(new)

    def _take(self, new: list[tuple[sa.Table, Row]]) -> None:
        was_empty = not self._waiting
        self._waiting.extend(new)
        self._taken += len(new)
        self._metrics.rows_wait(len(self._waiting))
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="group writer", daemon=True)
            self._thread.start()
        # Within its delay the writer need not be woken for each row.
        if was_empty or len(self._waiting) >= _GROUP:
            self._changed.notify_all()

    def _refuse(self, rows: list[tuple[sa.Table, Row]], why: str) -> None:
        self._count_lost(rows)
        if not self._losing:  # One line when it begins, one when it is over; the metric counts each row.
            log.error("cards and audit trail are lost", reason=why)
        self._losing = True

    def _count_lost(self, rows: Iterable[tuple[sa.Table, Row]]) -> None:
        for table, _ in rows:
            self._metrics.row_lost(table.name)

    def flush(self, seconds: float) -> bool:
        """Commit now what was handed over so far. Whether it is kept; not waited for longer than ``seconds`` or a failure."""
        with self._changed:
            goal, failures = self._taken, self._failures
            self._hurried = self._done < goal
            self._changed.notify_all()
            self._changed.wait_for(
                lambda: self._done >= goal or self._failures > failures or self._ended is not None, seconds
            )
            return self._done >= goal

    def problem(self) -> str | None:
        """Why rows are lost now, or None (for readiness)."""
        with self._changed:
            if self._ended is not None:
                return "cards and audit trail are no longer kept, and the log says why; start the service again"
            return "cards and audit trail are lost: too many rows wait for the store" if self._losing else None

    def close(self) -> None:
        """Write what is left, once, and end. What cannot be written is lost, and the log says how much."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        if self._thread is not None:
            self._thread.join(_STOP_SECONDS)
        with self._changed:
            self._ended = self._ended or "the service has stopped"
            if self._waiting:
                self._count_lost(self._waiting)
                log.error("cards and audit trail lost: the store could not be used", rows=len(self._waiting))
                self._waiting.clear()

    def _run(self) -> None:
        try:
            while group := self._next_group():
                self._write(group)
        except Exception as error:  # Nobody stands above a thread, and without it nothing is kept.
            self._metrics.store_failed("writer")
            log.error("writer ended; cards and audit trail are no longer kept", **failure(error))
            with self._changed:
                self._ended = "the writer has ended"
                self._changed.notify_all()

    def _next_group(self) -> list[tuple[sa.Table, Row]]:
        """The oldest rows, which stay in the queue until they are dealt with; none when it is time to end."""
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._stopping)
            self._changed.wait_for(lambda: self._hurried or self._stopping or len(self._waiting) >= _GROUP, self._delay)
            self._hurried = False
            return [] if self._given_up else list(islice(self._waiting, _GROUP))

    def _write(self, group: list[tuple[sa.Table, Row]]) -> None:
        try:
            self._commit(group)
            self._dealt_with(len(group))
        except StoreDown as error:
            self._wait_for_the_store(error)
        except (IntegrityError, DataError):
            # One of them cannot be kept by this database; the others must not be lost with it.
            self._write_one_by_one(group)

    def _write_one_by_one(self, group: list[tuple[sa.Table, Row]]) -> None:
        for row in group:
            try:
                self._commit([row])
            except StoreDown as error:
                self._wait_for_the_store(error)
                return
            except (IntegrityError, DataError) as error:
                self._count_lost([row])
                log.error("row lost: the database cannot keep it", table=row[0].name, error=type(error).__name__)
            self._dealt_with(1)

    def _commit(self, group: list[tuple[sa.Table, Row]]) -> None:
        by_table = groupby(sorted(group, key=_table_name), key=_table_name)
        with self._store.writing() as connection:
            for _, rows in by_table:
                (table, first), *others = rows
                insert_new(connection, table, [first, *(row for _, row in others)])

    def _dealt_with(self, count: int) -> None:
        with self._changed:
            for _ in range(count):
                self._waiting.popleft()
            self._done += count
            self._metrics.rows_wait(len(self._waiting))
            if self._losing and len(self._waiting) <= self._most // 2:
                self._losing = False
                log.info("cards and audit trail are kept again")
            self._changed.notify_all()

    def _wait_for_the_store(self, error: StoreDown) -> None:
        self._metrics.store_failed("writer")
        log.warning("cards and audit trail wait for the store", reason=str(error), rows=len(self._waiting))
        with self._changed:
            self._failures += 1
            self._given_up = self._stopping
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._hurried or self._stopping, error.retry_after)


def _table_name(row: tuple[sa.Table, Row]) -> str:
    return row[0].name
