"""The tables of the store. A change here needs a migration in ``migrations/versions``; a test holds the two together."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    DateTime,
    Dialect,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    TypeDecorator,
)

REVISION = "0003"
"""The newest migration."""


class UtcTime(TypeDecorator[datetime]):
    """A moment, always with time zone in Python; SQLite has none and holds UTC."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """To the database: in UTC."""
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """From the database: in UTC."""
        if value is None:
            return None
        assert isinstance(value, datetime)
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


metadata = MetaData()

issued_cards = Table(
    "issued_cards",
    metadata,
    Column("card", String(64), primary_key=True),
    Column("service", String(64), nullable=False),
    Column("rules", JSON, nullable=False),
    Column("rules_digest", String(64), nullable=False),
    Column("ruleset_version", String(64), nullable=False),
    Column("ruleset_hash", String(64), nullable=False),
    Column("patient", String(64), nullable=False, comment="hash keyed with the site's secret"),
    Column("facts_digest", String(64), nullable=False, comment="hash keyed with the site's secret"),
    Column("indicator", String(16), nullable=False),
    Column("tenant", String(512)),
    Column("unit", String(256)),
    Column("issuer", String(512), comment="the client that the card went to; none before migration 0002"),
    Column("issued_at", UtcTime, nullable=False),
    Index("issued_cards_by_patient", "patient", "rules_digest"),
    Index("issued_cards_by_time", "issued_at"),
)

feedback = Table(
    "feedback",
    metadata,
    # One row for one statement of a client: sent again after a lost answer, it is the same row.
    Column("digest", String(64), primary_key=True),
    Column("card", String(80), nullable=False),
    Column("service", String(64), nullable=False),
    Column("outcome", String(16), nullable=False),
    Column("accepted_suggestions", JSON, nullable=False),
    Column("reason_system", String(512)),
    Column("reason_code", String(256)),
    Column("comment_given", Boolean, nullable=False),
    Column("comment_sealed", LargeBinary, comment="free text may name a patient: kept encrypted or not at all"),
    Column("tenant", String(512)),
    Column("issuer", String(512), comment="the client that sent it; none before migration 0002"),
    Column("outcome_at", UtcTime, nullable=False),
    Column("received_at", UtcTime, nullable=False),
    Index("feedback_by_card", "card"),
    Index("feedback_by_time", "received_at"),
)

used_tokens = Table(
    "used_tokens",
    metadata,
    Column("digest", String(64), primary_key=True),
    Column("expires_at", UtcTime, nullable=False),
    Index("used_tokens_by_time", "expires_at"),
)

audit = Table(
    "audit",
    metadata,
    Column("entry", String(36), primary_key=True),
    Column("at", UtcTime, nullable=False),
    Column("event", String(32), nullable=False),
    Column("service", String(64)),
    Column("status", Integer, nullable=False),
    Column("issuer", String(512), nullable=False),
    Column("tenant", String(512)),
    Column("patient", String(64), comment="hash keyed with the site's secret"),
    Column("ruleset_hash", String(64), nullable=False),
    Column("request", String(64), nullable=False, comment="the request id, as in the log and the answer"),
    Index("audit_by_time", "at"),
)

decision_records = Table(
    "decision_records",
    metadata,
    Column("record", String(36), primary_key=True),
    Column("at", UtcTime, nullable=False),
    Column("request", String(64), nullable=False),
    Column("sealed", LargeBinary, nullable=False, comment="facts and decision, encrypted"),
    Index("decision_records_by_time", "at"),
)

silent_decisions = Table(
    "silent_decisions",
    metadata,
    Column("entry", String(36), primary_key=True),
    Column("at", UtcTime, nullable=False),
    Column("service", String(64), nullable=False),
    Column("patient", String(64), nullable=False, comment="hash keyed with the site's secret"),
    Column("issuer", String(512), nullable=False),
    Column("tenant", String(512)),
    Column("ruleset_hash", String(64), nullable=False),
    Column("indicators", JSON, nullable=False, comment="of the cards that would have been shown"),
    Column("orders", Integer, nullable=False, comment="collar orders in the call"),
    Column("agrees", JSON, nullable=False, comment="whether order and decision agree, by axis of the size"),
    Index("silent_decisions_by_time", "at"),
)

ON_ITS_CARD = (feedback.c.card == issued_cards.c.card) & (
    (feedback.c.issuer == issued_cards.c.issuer) | issued_cards.c.issuer.is_(None)
)
"""Joins feedback with the card that it is about: one that went to the same client. The row of a card may be written later than
its feedback (by another worker, or sent again after a crash), so this is asked when reading and not noted when writing."""
