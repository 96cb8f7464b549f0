"""What the store takes: bytes on the disk for each kind of row, and how many commits a second one writer makes."""

from __future__ import annotations

import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from cds.settings import StoreSettings
from cds.storage.database import Store, insert_new
from cds.storage.database_schema import audit, feedback, issued_cards, used_tokens

_ROWS = 5_000
_COMMITS = 100
_AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
_HASH = "0123456789abcdef" * 4
_ISSUER = "https://ehr.hospital.example"
_RULES = [f"size.rule_{number}" for number in range(6)]

_MADE: dict[sa.Table, dict[str, Any]] = {
    issued_cards: {
        **{"service": "collar-order-select", "rules": _RULES, "rules_digest": _HASH, "ruleset_version": "2026.11.0"},
        **{"ruleset_hash": _HASH, "patient": _HASH, "facts_digest": _HASH, "indicator": "info", "issuer": _ISSUER},
        **{"tenant": None, "unit": "ward", "issued_at": _AT},
    },
    feedback: {
        **{"card": _HASH[:36], "service": "collar-order-select", "outcome": "overridden", "accepted_suggestions": []},
        **{"reason_system": f"{_ISSUER}/reasons", "reason_code": "fit-checked", "comment_given": False},
        **{"issuer": _ISSUER, "outcome_at": _AT, "received_at": _AT},
    },
    used_tokens: {"expires_at": _AT},
    audit: {
        **{"at": _AT, "event": "decision", "service": "cds-services/collar-order-select", "status": 200},
        **{"issuer": _ISSUER, "tenant": None, "patient": _HASH, "ruleset_hash": _HASH, "request": _HASH[:32]},
    },
}
_KEYS = {issued_cards: "card", feedback: "digest", used_tokens: "digest", audit: "entry"}


def row_bytes() -> dict[str, float]:
    """Bytes of a row with its indexes in SQLite, by table."""
    return {table.name: _bytes_of(table) for table in _MADE}


def _bytes_of(table: sa.Table) -> float:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with Store(StoreSettings(store_url=f"sqlite:///{path}")) as store:
            store.bring_up_to_date()
            before = path.stat().st_size
            with store.writing() as connection:
                insert_new(connection, table, [{**_MADE[table], _KEYS[table]: str(uuid4())} for _ in range(_ROWS)])
        return (path.stat().st_size - before) / _ROWS


def commits_a_second() -> float:
    """Commits of one row each that one writer makes in a second on this disk (SQLite, ``synchronous=FULL``)."""
    with (
        tempfile.TemporaryDirectory() as folder,
        Store(StoreSettings(store_url=f"sqlite:///{folder}/store.sqlite3")) as store,
    ):
        store.bring_up_to_date()
        began = time.perf_counter()
        for _ in range(_COMMITS):
            with store.writing() as connection:
                insert_new(connection, used_tokens, [{"digest": str(uuid4()), "expires_at": _AT}])
        return _COMMITS / (time.perf_counter() - began)
