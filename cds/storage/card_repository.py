"""Cards that were issued and what became of them: feedback, and whether a card would only repeat what was overridden."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from itertools import islice
from typing import Any

import sqlalchemy as sa

from cds.protocol.feedback import FeedbackItem, NotKept
from cds.security.caller import current_caller
from cds.security.pseudonymisation import Secrecy
from cds.storage.database import LookUp, Store, StoreDown
from cds.storage.database_schema import ON_ITS_CARD, issued_cards
from cds.storage.database_schema import feedback as feedback_table
from cds.storage.group_writer import GroupWriter

_PART = 500
"""Rows looked up or inserted by one statement; PostgreSQL takes 65,535 values in one."""
_CARDS_FIRST_SECONDS = 1.0
_UUID = re.compile(r"[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")

_ALREADY_KEPT = sa.select(feedback_table.c.digest).where(
    feedback_table.c.digest.in_(sa.bindparam("digests", expanding=True))
)

_OVERRIDDEN = LookUp(
    sa.select(sa.literal(1))
    .select_from(feedback_table.join(issued_cards, ON_ITS_CARD))
    .where(
        issued_cards.c.patient == sa.bindparam("patient"),
        issued_cards.c.rules_digest == sa.bindparam("rules"),
        issued_cards.c.facts_digest == sa.bindparam("facts"),
        feedback_table.c.outcome == "overridden",
        feedback_table.c.reason_code.is_not(None),
        feedback_table.c.received_at >= sa.bindparam("since"),
    )
    .limit(1)
)


@dataclass(frozen=True)
class IssuedCard:
    """A card as the store knows it; ``patient`` and ``facts`` are keyed hashes (``Secrecy``)."""

    card: str
    service: str
    rules: tuple[str, ...]
    ruleset_version: str
    ruleset_hash: str
    patient: str
    facts: str
    indicator: str
    issued_at: datetime
    issuer: str
    tenant: str | None = None
    unit: str | None = None


def rules_digest(rules: Iterable[str]) -> str:
    """One value for a set of ``rules`` (ids), whatever their order."""
    return hashlib.sha256("\n".join(sorted(set(rules))).encode()).hexdigest()


class CardMemory:
    """Issued cards and feedback in the store. It is the ``FeedbackSink`` of a service with a store."""

    def __init__(self, store: Store, secrecy: Secrecy, writer: GroupWriter) -> None:
        """Keep feedback in ``store``, and cards there through ``writer``."""
        self._store, self._secrecy, self._writer = store, secrecy, writer

    def remember(self, cards: Sequence[IssuedCard]) -> None:
        """Hand ``cards`` to the writer; the same call made twice issues the same cards, and they are kept once."""
        rows = [
            {
                "card": card.card,
                "service": card.service,
                "rules": sorted(card.rules),
                "rules_digest": rules_digest(card.rules),
                "ruleset_version": card.ruleset_version,
                "ruleset_hash": card.ruleset_hash,
                "patient": card.patient,
                "facts_digest": card.facts,
                "indicator": card.indicator,
                "tenant": card.tenant,
                "unit": card.unit,
                "issuer": card.issuer,
                "issued_at": card.issued_at,
            }
            for card in cards
        ]
        self._writer.add(issued_cards, rows)

    def keep(self, service: str, items: Sequence[FeedbackItem], received: datetime) -> None:
        """Keep feedback, durably, all items or none. The same statement sent twice is kept once. Raises NotKept.

        ``items`` on ``service`` came at the moment ``received`` (with time zone). Feedback on a card that is not on
        record (yet) is kept like any other, and found with the card when it is there.
        """
        rows = {row["digest"]: row for row in (self._row(service, item, received) for item in items)}
        # Its cards were answered before; where they cannot be written now, the feedback is kept all the same.
        self._writer.flush(_CARDS_FIRST_SECONDS)

        def write() -> None:
            with self._store.writing() as connection:
                for part in _parts(rows, _PART):
                    here = set(connection.execute(_ALREADY_KEPT, {"digests": part}).scalars())
                    new = [rows[digest] for digest in part if digest not in here]
                    if new:
                        connection.execute(feedback_table.insert(), new)

        try:
            self._store.with_patience(write)
        except (StoreDown, sa.exc.IntegrityError) as error:
            # The other case: the same statement arrived twice at the same moment; sent again it will be found.
            raise NotKept("feedback cannot be kept now; send it again later") from error

    def _row(self, service: str, item: FeedbackItem, received: datetime) -> dict[str, Any]:
        override = item.overrideReason
        reason = override.coded_reason if override else None
        comment = override.words if override else None
        statement = [current_caller.get().issuer, service, item.model_dump(mode="json")]
        return {
            "digest": self._secrecy.text(json.dumps(statement, sort_keys=True)),
            "card": self._as_kept(item.card),
            "service": service,
            "outcome": item.outcome,
            "accepted_suggestions": [self._as_kept(suggestion.id) for suggestion in item.acceptedSuggestions],
            "reason_system": reason.system if reason else None,
            "reason_code": reason.code if reason else None,
            "comment_given": bool(comment),
            "comment_sealed": self._secrecy.seal(comment) if comment else None,
            "tenant": current_caller.get().tenant,
            "issuer": current_caller.get().issuer,
            "outcome_at": item.outcomeTimestamp,
            "received_at": received,
        }

    def _as_kept(self, identifier: str) -> str:
        """Ids of cards and suggestions are UUIDs; what is none could be any text, a name too, and is kept as a keyed hash."""
        return identifier if _UUID.fullmatch(identifier) else f"hash:{self._secrecy.text(identifier)}"

    def overridden_with_reason(self, patient: str, rules: Iterable[str], facts: str, since: datetime) -> bool:
        """Whether a card of the same ``rules`` was overridden with a reason for this patient, on the same facts.

        The moment ``since`` (with time zone) bounds how long ago. ``patient`` and ``facts`` are keyed hashes. Where any
        fact changed the answer is False: the card has news. Raises StoreDown; the caller then shows the card, as
        silence must never come from a failure.
        """
        sought = {"patient": patient, "rules": rules_digest(rules), "facts": facts, "since": since}

        return self._store.in_a_hurry(partial(self._store.found, _OVERRIDDEN, sought))


def _parts(values: Iterable[str], most: int) -> Iterator[tuple[str, ...]]:
    """``values`` in parts of at most ``most``."""
    rest = iter(values)
    while part := tuple(islice(rest, most)):
        yield part
