"""What became of the cards that a rule spoke on: accepted, overridden, and for which reasons. No patient, no comment."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import sqlalchemy as sa

from cds.storage.database import Store
from cds.storage.database_schema import ON_ITS_CARD, feedback, issued_cards


@dataclass(frozen=True)
class RuleFeedback:
    """How many cards were accepted and overridden, and the codes of the reasons given, most frequent first."""

    accepted: int
    overridden: int
    reasons: tuple[tuple[str, int], ...]


def feedback_on(store: Store, rule: str, tenant: str | None) -> RuleFeedback:
    """The feedback in ``store`` on cards of ``rule``, of one ``tenant`` or of all (None). Raises StoreDown."""
    of_tenant = sa.func.coalesce(feedback.c.tenant, issued_cards.c.tenant) == tenant
    query = (
        sa.select(feedback.c.outcome, feedback.c.reason_code, sa.func.count())
        .select_from(feedback.join(issued_cards, ON_ITS_CARD))
        # The ids of a card's rules are kept as a JSON list of strings.
        .where(sa.cast(issued_cards.c.rules, sa.Text).contains(f'"{rule}"', autoescape=True))
        .where(sa.true() if tenant is None else of_tenant)
        .group_by(feedback.c.outcome, feedback.c.reason_code)
    )
    with store.reading() as connection:
        rows = connection.execute(query).all()
    outcomes, reasons = Counter[str](), Counter[str]()
    for outcome, reason, number in rows:
        outcomes[outcome] += number
        if reason is not None:
            reasons[reason] += number
    return RuleFeedback(outcomes["accepted"], outcomes["overridden"], tuple(reasons.most_common()))
