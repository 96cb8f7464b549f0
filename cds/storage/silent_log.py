"""Silent decisions in the store, and what they come to by week: what would have been said, and how orders agreed with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any
from uuid import uuid4

import sqlalchemy as sa

from cds.security.caller import current_caller
from cds.security.pseudonymisation import Secrecy
from cds.storage.database import Store
from cds.storage.database_schema import silent_decisions
from cds.storage.group_writer import GroupWriter


@dataclass(frozen=True)
class SilentDecision:
    """What one call would have shown, and what was ordered; ``patient`` is an id, of which only a keyed hash is kept.

    ``indicators`` are those of the cards, ``orders`` the number of collar orders in the call. ``agrees`` says for each axis
    of the size that an order states and the decision knows, and for ``item`` where an order names one of the catalogue,
    whether they agree.
    """

    service: str
    patient: str
    at: datetime
    ruleset_hash: str
    indicators: tuple[str, ...]
    orders: int
    agrees: Mapping[str, bool]


class SilentLog:
    """Keeps silent decisions, beside the answer."""

    def __init__(self, writer: GroupWriter, secrecy: Secrecy) -> None:
        """Hand rows to ``writer``; patients are hashed by ``secrecy``."""
        self._writer, self._secrecy = writer, secrecy

    def keep(self, found: SilentDecision) -> None:
        """Keep ``found``; a store that is down costs nobody the answer."""
        caller = current_caller.get()
        row = {
            "entry": str(uuid4()),
            "at": found.at,
            "service": found.service,
            "patient": self._secrecy.patient(caller.namespace, found.patient),
            "issuer": caller.issuer,
            "tenant": caller.tenant,
            "ruleset_hash": found.ruleset_hash,
            "indicators": list(found.indicators),
            "orders": found.orders,
            "agrees": dict(found.agrees),
        }
        self._writer.add(silent_decisions, [row])


def weeks(store: Store, since: datetime | None = None) -> Iterator[dict[str, Any]]:
    """What silent decisions in ``store`` from ``since`` (with time zone; None: all) on come to, by ISO week and service.

    The oldest come first. Each has the number of ``calls`` and of ``patients``, of cards by indicator, of calls with a
    collar order, and of those whose order states a size or an item that could be compared; ``agree`` in everything,
    ``differ`` in what, by name. Raises StoreDown.
    """
    query = sa.select(silent_decisions).order_by(silent_decisions.c.at)
    if since is not None:
        query = query.where(silent_decisions.c.at >= since)
    with store.reading() as connection:
        for week, rows in groupby(connection.execute(query).mappings(), key=lambda row: _week(row["at"])):
            of_week = list(rows)
            for service in sorted({row["service"] for row in of_week}):
                yield {"week": week, "service": service, **_summed([r for r in of_week if r["service"] == service])}


def _week(at: datetime) -> str:
    year, week, _ = at.isocalendar()
    return f"{year}-W{week:02}"


def _summed(rows: list[Mapping[Any, Any]]) -> dict[str, Any]:
    cards = Counter(indicator for row in rows for indicator in row["indicators"])
    compared = [row["agrees"] for row in rows if row["agrees"]]
    differ = Counter(name for agrees in compared for name, agreed in agrees.items() if not agreed)
    return {
        "calls": len(rows),
        "patients": len({row["patient"] for row in rows}),
        "cards": {indicator: cards[indicator] for indicator in ("critical", "warning", "info")},
        "with_order": sum(row["orders"] > 0 for row in rows),
        "compared": len(compared),
        "agree": sum(all(agrees.values()) for agrees in compared),
        "differ": dict(sorted(differ.items())),
    }
