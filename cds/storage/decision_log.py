"""Decision records: facts and decision, encrypted. Kept only where the site gave a key."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from cds.security.pseudonymisation import Secrecy
from cds.storage.database import Store
from cds.storage.database_schema import decision_records


class DecisionRecords:
    """Encrypted decision records in the store."""

    def __init__(self, store: Store, secrecy: Secrecy) -> None:
        """Keep in ``store``, encrypted by ``secrecy``."""
        self._store, self._secrecy = store, secrecy

    def keep(self, at: datetime, request: str, content: Mapping[str, Any]) -> bool:
        """Keep ``content`` (plain JSON), decided at the moment ``at`` (with time zone) in the call with the id ``request``.

        False, and nothing kept, where the site gave no key. Raises StoreDown.
        """
        sealed = self._secrecy.seal(json.dumps(content, default=str))
        if sealed is None:
            return False
        row = {"record": str(uuid4()), "at": at, "request": request, "sealed": sealed}

        def write() -> None:
            with self._store.writing() as connection:
                connection.execute(decision_records.insert(), row)

        self._store.in_a_hurry(write)
        return True

    def read(self, request: str | None = None) -> Iterator[dict[str, Any]]:
        """The records, of one call with the id ``request`` where given, oldest first, decrypted.

        Raises StoreDown and SecrecyError.
        """
        query = sa.select(decision_records).order_by(decision_records.c.at)
        if request is not None:
            query = query.where(decision_records.c.request == request)
        with self._store.reading() as connection:
            for row in connection.execute(query).mappings():
                content = json.loads(self._secrecy.unseal(row["sealed"]))
                yield {"at": row["at"].isoformat(), "request": row["request"], **content}
