"""Export of feedback: which rules are accepted or overridden, why, and on which unit. No patient, no comment, no fact."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO, Any

import sqlalchemy as sa

from cds.storage.database import Store
from cds.storage.database_schema import ON_ITS_CARD, feedback, issued_cards
from rules.errors import NuqueError

COLUMNS = (
    "service",
    "outcome",
    "known",
    "rules",
    "ruleset_version",
    "ruleset_hash",
    "indicator",
    "reason_system",
    "reason_code",
    "comment_given",
    "tenant",
    "unit",
    "issued_at",
    "outcome_at",
    "received_at",
)
_BATCH = 1000


class ExportError(NuqueError):
    """The export cannot be written."""


def rows(store: Store, since: datetime | None = None) -> Iterator[dict[str, Any]]:
    """Feedback in ``store`` received from ``since`` (with time zone; None: all) on, oldest first, with what is known of its card.

    Raises StoreDown.
    """
    card = issued_cards.c
    query = (
        sa.select(
            feedback.c.service,
            feedback.c.outcome,
            card.card.is_not(None).label("known"),
            card.rules,
            card.ruleset_version,
            card.ruleset_hash,
            card.indicator,
            feedback.c.reason_system,
            feedback.c.reason_code,
            feedback.c.comment_given,
            sa.func.coalesce(feedback.c.tenant, card.tenant).label("tenant"),
            card.unit,
            card.issued_at,
            feedback.c.outcome_at,
            feedback.c.received_at,
        )
        .select_from(feedback.outerjoin(issued_cards, ON_ITS_CARD))
        .order_by(feedback.c.received_at, feedback.c.digest)
    )
    if since is not None:
        query = query.where(feedback.c.received_at >= since)
    with store.reading() as connection:
        for row in connection.execution_options(yield_per=_BATCH).execute(query).mappings():
            yield {name: row[name] for name in COLUMNS}


def write_ndjson(found: Iterator[dict[str, Any]], file: IO[str]) -> int:
    """Write ``found`` to ``file`` as lines of JSON; times in ISO 8601. Gives the number of lines."""
    count = 0
    for row in found:
        plain = {key: value.isoformat() if isinstance(value, datetime) else value for key, value in row.items()}
        file.write(json.dumps(plain) + "\n")
        count += 1
    return count


def write_parquet(found: Iterator[dict[str, Any]], path: Path) -> int:
    """Write ``found`` to the Parquet file ``path``. Gives the number of rows. Raises ExportError where pyarrow is not installed."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ModuleNotFoundError as error:
        raise ExportError("Parquet needs the extra `workbench`: pip install 'nuque[workbench]'") from error
    moment = pa.timestamp("us", tz="UTC")
    kinds = {"known": pa.bool_(), "comment_given": pa.bool_(), "rules": pa.list_(pa.string())}
    kinds |= {"issued_at": moment, "outcome_at": moment, "received_at": moment}
    schema = pa.schema([(name, kinds.get(name, pa.string())) for name in COLUMNS])
    everything = list(found)
    pq.write_table(pa.Table.from_pylist(everything, schema=schema), path)
    return len(everything)
