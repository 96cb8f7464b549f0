"""What callers were told held against the store, and against what was done to the service meanwhile."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass

import sqlalchemy as sa

from cds.storage.database_schema import ON_ITS_CARD, feedback, issued_cards
from tests.outages.callers import Call, Told
from tests.outages.disturbances import Span, Times

_PATIENCE_SECONDS = 60.0
_OF_A_REFUSAL = {"400", "412", "413", "422"}


@dataclass(frozen=True)
class Kept:
    """What is in the store."""

    statements: Counter[tuple[str, str, str]]
    """How often each is there: client, card, reason."""
    bound: Counter[tuple[str, str, str]]
    """The same of those that are found with their card, as silence and reports find them."""
    cards: dict[str, tuple[str, str]]
    """Client and service of each card."""


def kept_in(url: str) -> Kept:
    """Read the store at ``url``."""
    engine = sa.create_engine(url)
    told = (feedback.c.issuer, feedback.c.card, feedback.c.reason_code)
    try:
        with engine.connect() as connection:
            statements = Counter(tuple(row) for row in connection.execute(sa.select(*told)))
            joined = sa.select(*told).select_from(feedback.join(issued_cards, ON_ITS_CARD))
            bound = Counter(tuple(row) for row in connection.execute(joined))
            rows = connection.execute(sa.select(issued_cards.c.card, issued_cards.c.issuer, issued_cards.c.service))
            cards = {card: (issuer, service) for card, issuer, service in rows}
    finally:
        engine.dispose()
    return Kept(statements, bound, cards)


def against_the_store(told: Told, times: Times, url: str) -> list[str]:
    """What was acknowledged and is not there once, or not with its card; cards are waited for, as they are written later."""
    safe = [card for card in told.cards if not any(span.meets(card.at, card.at) for span in times.at_risk)]
    give_up = time.monotonic() + _PATIENCE_SECONDS
    while True:
        kept = kept_in(url)
        missing = [card for card in safe if card.card not in kept.cards]
        if not missing or time.monotonic() > give_up:
            break
        time.sleep(0.2)
    problems = [f"no row of card {card.card} of {card.client}" for card in missing]
    for card in told.cards:
        if card.card in kept.cards and kept.cards[card.card] != (card.client, card.service):
            problems.append(f"card {card.card} went to {card.client} and stands with {kept.cards[card.card]}")
    return problems + of_feedback(told, kept)


def of_feedback(told: Told, kept: Kept) -> list[str]:
    """Acknowledged feedback that is not there once, or not with the card that it is about."""
    problems = []
    for statement in set(told.acknowledged):
        key = (statement.client, statement.card, statement.reason)
        if kept.statements[key] != 1:
            problems.append(f"acknowledged feedback is {kept.statements[key]} times in the store: {key}")
        if kept.bound[key] != int(statement.is_own and statement.card in kept.cards):
            whose = "its own" if statement.is_own else "another client's"
            problems.append(f"feedback is {kept.bound[key]} times found with {whose} card: {key}")
    return problems


def unsaid_in(told: Told, url: str) -> list[str]:
    """Feedback in the store that nobody sent, or twice; once all callers have ended."""
    kept = kept_in(url).statements
    sent = {(statement.client, statement.card, statement.reason) for statement in told.sent}
    problems = [f"feedback that nobody sent: {key}" for key in kept.keys() - sent]
    return problems + [f"feedback {number} times: {key}" for key, number in kept.items() if number > 1]


def against_the_times(told: Told, times: Times) -> list[str]:
    """Calls that were answered otherwise than they may be with what was done when they were in progress."""
    numbers = Counter(call.request for call in told.calls if call.request)
    problems = [f"{number} answers of one number: {request}" for request, number in numbers.items() if number > 1]
    problems += [f"{call.kind}: {why}" for call in told.calls if (why := _wrong(call, times)) is not None]
    return problems + [f"mixed: {each}" for each in told.mixed]


def _wrong(call: Call, times: Times) -> str | None:
    def in_any(spans: list[Span]) -> bool:
        return any(span.meets(call.began, call.ended) for span in spans)

    if call.outcome == "refused":
        return None if in_any(times.ended) else "refused while the service ran"
    if call.outcome == "cut off":
        stops = [
            f"{call.began - span.began:.3f} to {call.ended - span.began:.3f} s after a stop began"
            for span in times.ended
        ]
        where = next(
            (said for span, said in zip(times.ended, stops, strict=True) if span.meets(call.began, call.ended)), ""
        )
        return None if in_any(times.killed) else f"cut off ({call.text}) though its process was not killed; {where}"
    if call.kind == "feedback" and call.outcome == "503":
        return None if in_any(times.unsaid) else f"503 though the store can be used: {call.text}"
    meant = {"200"} if call.kind != "nonsense" else {"200", *_OF_A_REFUSAL}
    return None if call.outcome in meant else f"{call.outcome} {call.text}"


def seconds(told: Told, times: Times) -> dict[str, list[float]]:
    """How long decisions took, by what was so when they began."""
    found: dict[str, list[float]] = {"in peace": [], "while the store was in trouble": [], "while processes ended": []}
    for call in told.calls:
        if call.kind == "decision" and call.outcome == "200":
            found[_when(call, times)].append(call.ended - call.began)
    return found


def _when(call: Call, times: Times) -> str:
    if any(span.meets(call.began, call.ended) for span in [*times.ended, *times.replaced]):
        return "while processes ended"
    if any(span.meets(call.began, call.ended) for span in times.troubled):
        return "while the store was in trouble"
    return "in peace"
