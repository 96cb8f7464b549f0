"""Retention: what is older than the site keeps it, is deleted."""

from __future__ import annotations

from datetime import datetime, timedelta

from cds.settings import StoreSettings
from cds.storage.database import Store
from cds.storage.database_schema import audit, decision_records, feedback, issued_cards, silent_decisions, used_tokens

_USED_TOKENS_DAYS = 1


def purge(store: Store, settings: StoreSettings, now: datetime) -> dict[str, int]:
    """Delete from ``store`` what is at ``now`` (with time zone) older than ``settings`` keep it, all in one transaction.

    Gives the number of rows deleted by table. Raises StoreDown.
    """
    limits = [
        (issued_cards, issued_cards.c.issued_at, settings.keep_cards_days),
        (feedback, feedback.c.received_at, settings.keep_feedback_days),
        (audit, audit.c.at, settings.keep_audit_days),
        (silent_decisions, silent_decisions.c.at, settings.keep_cards_days),
        (decision_records, decision_records.c.at, settings.keep_records_days),
        (used_tokens, used_tokens.c.expires_at, _USED_TOKENS_DAYS),
    ]
    with store.writing() as connection:
        return {
            table.name: connection.execute(table.delete().where(column < now - timedelta(days=days))).rowcount
            for table, column, days in limits
        }
