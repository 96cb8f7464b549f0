"""What the hooks remember: cards that went out, and which of them need not be repeated. A store that is down costs no answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import timedelta

from cds.hooks.cards.budget import Draft
from cds.observability.logging import log
from cds.observability.metrics import Metrics
from cds.protocol.response import Card
from cds.security.caller import current_caller
from cds.security.pseudonymisation import Secrecy
from cds.storage.card_repository import CardMemory, IssuedCard
from cds.storage.database import StoreDown
from rules.model.decision import Decision
from rules.model.facts import FactValue


class HookMemory:
    """The ``Memory`` of a service with a store."""

    def __init__(self, cards: CardMemory, secrecy: Secrecy, metrics: Metrics, silent_hours: int) -> None:
        """Remember in ``cards``; stay silent for ``silent_hours`` after a reasoned override (0: never)."""
        self._cards, self._secrecy, self._metrics, self._hours = cards, secrecy, metrics, silent_hours

    def stays_silent(
        self, service: str, patient: str, draft: Draft, decision: Decision, facts: Mapping[str, FactValue]
    ) -> bool:
        """Whether such a card was overridden with a reason, recently, on the same ``facts``. Never for a critical card."""
        if self._hours == 0 or draft.indicator == "critical":
            return False
        since = decision.at - timedelta(hours=self._hours)
        try:
            repeat = self._cards.overridden_with_reason(
                self._patient(patient), draft.rules, self._secrecy.facts(facts), since
            )
        except StoreDown as error:
            self._metrics.store_failed("repeats")
            log.warning("repeats not looked up", reason=str(error))
            return False
        if repeat:
            self._metrics.kept_silent(service)
        return repeat

    def remember(
        self,
        service: str,
        patient: str,
        issued: Sequence[tuple[Card, Draft]],
        decision: Decision,
        facts: Mapping[str, FactValue],
    ) -> None:
        """Note that the cards of ``issued`` went out, decided by ``facts``."""
        self._metrics.issued(service, [card.indicator for card, _ in issued])
        cards = [
            IssuedCard(
                card=card.uuid,
                service=service,
                rules=draft.rules,
                ruleset_version=decision.ruleset.version,
                ruleset_hash=decision.ruleset.hash,
                patient=self._patient(patient),
                facts=self._secrecy.facts(facts),
                indicator=card.indicator,
                issued_at=decision.at,
                issuer=current_caller.get().issuer,
                tenant=current_caller.get().tenant,
                unit=_unit(decision),
            )
            for card, draft in issued
        ]
        self._cards.remember(cards)

    def _patient(self, patient: str) -> str:
        return self._secrecy.patient(current_caller.get().namespace, patient)


def _unit(decision: Decision) -> str | None:
    """The kind of unit on which the patient is, where it was recorded (the fact ``setting``: ward, critical care ...)."""
    return next((str(fact.value) for fact in decision.facts if fact.name == "setting"), None)
