"""Tokens that were used: in the store for all workers and restarts, and in this process as a second line.

While the store is down decisions go on, and a replay is only noticed by the worker that saw the token; ``ready`` says so. What a
worker saw meanwhile it writes with the first token after. A used token is kept a day longer than it lives, so a clock that is set
back by less than a day makes none of them new.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from datetime import UTC, datetime

from anyio import to_thread
from sqlalchemy.exc import IntegrityError

from cds.storage.database import Store, StoreDown, insert_new
from cds.storage.database_schema import used_tokens

_KEEP_LONGER = 86_400.0
"""Seconds after its end for which a token stays remembered: a clock that is set back must not make it new again."""
_CLEAN_EVERY = 600.0
_MOST_HERE = 100_000


class StoredReplay:
    """The ``ReplayMemory`` of a service with a store."""

    def __init__(
        self,
        store: Store,
        *,
        now: Callable[[], float] = time.time,
        on_degraded: Callable[[StoreDown], None] = lambda error: None,
    ) -> None:
        """Remember in ``store``; ``on_degraded`` is told when the store could not be asked."""
        self._store, self._now, self._on_degraded = store, now, on_degraded
        self._lock = threading.Lock()
        self._here: OrderedDict[str, float] = OrderedDict()
        self._cleaned = 0.0
        self._unwritten: dict[str, float] = {}
        """Seen by this process while the store was down; bounded like ``_here``."""

    async def first_use(self, digest: str, expires_at: float) -> bool:
        """Remember ``digest`` until ``expires_at`` (seconds since 1970, as in ``exp``); False where it was known already."""
        if not self._first_here(digest, expires_at):
            return False
        try:
            return await to_thread.run_sync(self._store.in_a_hurry, lambda: self._first_in_store(digest, expires_at))
        except StoreDown as error:
            self._on_degraded(error)
            with self._lock:
                if len(self._unwritten) < _MOST_HERE:
                    self._unwritten[digest] = expires_at
            return True

    def _first_here(self, digest: str, expires_at: float) -> bool:
        with self._lock:
            if digest in self._here:
                return False
            self._here[digest] = expires_at
            while len(self._here) > _MOST_HERE:
                self._here.popitem(last=False)
            return True

    def _first_in_store(self, digest: str, expires_at: float) -> bool:
        try:
            with self._store.writing() as connection:
                connection.execute(used_tokens.insert(), _row(digest, expires_at))
                if self._now() - self._cleaned > _CLEAN_EVERY:
                    end = datetime.fromtimestamp(self._now() - _KEEP_LONGER, UTC)
                    connection.execute(used_tokens.delete().where(used_tokens.c.expires_at < end))
                    self._cleaned = self._now()
        except IntegrityError:
            return False
        self._catch_up()
        return True

    def _catch_up(self) -> None:
        """Write what could not be written while the store was down."""
        with self._lock:
            waiting = dict(self._unwritten)
        if not waiting:
            return
        rows = [_row(digest, expires_at) for digest, expires_at in waiting.items()]
        with self._store.writing() as connection:
            insert_new(connection, used_tokens, rows)
        with self._lock:
            for digest in waiting:
                self._unwritten.pop(digest, None)


def _row(digest: str, expires_at: float) -> dict[str, object]:
    return {"digest": digest, "expires_at": datetime.fromtimestamp(expires_at, UTC)}
