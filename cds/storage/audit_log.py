"""The audit trail: who asked for a decision on whom and what came of it, without saying who the patient is.

Exported as FHIR R4 AuditEvent. The patient stands there as an identifier that only the site's secret can be matched with.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from cds.storage.database import Store
from cds.storage.database_schema import audit as audit_table
from cds.storage.group_writer import GroupWriter


@dataclass(frozen=True)
class AuditEntry:
    """One call. ``event``: ``decision``, ``feedback``, ``reload`` or ``refused``; ``patient`` is a keyed hash."""

    at: datetime
    event: str
    status: int
    issuer: str
    ruleset_hash: str
    request: str
    service: str | None = None
    tenant: str | None = None
    patient: str | None = None


class Audit:
    """The audit trail as it is written."""

    def __init__(self, writer: GroupWriter) -> None:
        """Hand entries to ``writer``."""
        self._writer = writer

    def record(self, entry: AuditEntry) -> None:
        """Hand ``entry`` to the writer."""
        self._writer.add(audit_table, [{"entry": str(uuid4()), **vars(entry)}])


def events(store: Store, since: datetime | None, canonical_base: str) -> Iterator[dict[str, Any]]:
    """The entries in ``store`` from ``since`` (with time zone; None: all) on, oldest first, as AuditEvent resources.

    Codes of ours stand under the URL ``canonical_base``. Raises StoreDown.
    """
    query = sa.select(audit_table).order_by(audit_table.c.at, audit_table.c.entry)
    if since is not None:
        query = query.where(audit_table.c.at >= since)
    with store.reading() as connection:
        for row in connection.execution_options(yield_per=500).execute(query).mappings():
            yield _as_event(dict(row), canonical_base.rstrip("/"))


def _as_event(row: dict[str, Any], base: str) -> dict[str, Any]:
    refused = row["status"] >= 400
    details = {"status": str(row["status"]), "ruleset": row["ruleset_hash"], "request": row["request"]}
    if row["tenant"]:
        details["tenant"] = row["tenant"]
    entities: list[dict[str, Any]] = [
        {
            "what": {"display": row["service"] or row["event"]},
            "role": {"system": "http://terminology.hl7.org/CodeSystem/object-role", "code": "24", "display": "Query"},
            "detail": [{"type": key, "valueString": value} for key, value in details.items()],
        }
    ]
    if row["patient"]:
        identifier = {"system": f"{base}/pseudonym", "value": row["patient"]}
        role = {"system": "http://terminology.hl7.org/CodeSystem/object-role", "code": "1", "display": "Patient"}
        entities.append({"what": {"identifier": identifier}, "role": role})
    return {
        "resourceType": "AuditEvent",
        "id": row["entry"],
        "type": {"system": "http://terminology.hl7.org/CodeSystem/audit-event-type", "code": "rest"},
        "subtype": [{"system": f"{base}/CodeSystem/audit-events", "code": row["event"]}],
        "action": "E",
        "recorded": row["at"].isoformat(),
        "outcome": "4" if refused else "0",
        "agent": [{"who": {"identifier": {"value": row["issuer"]}}, "requestor": True}],
        "source": {"observer": {"display": "Nuque"}},
        "entity": entities,
    }
