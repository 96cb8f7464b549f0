"""What a route tells of its call: whom it is about, what was decided, what was fed back. Metrics, trail and records draw on it."""

from __future__ import annotations

from collections.abc import Sequence

import structlog
from fastapi import Request

from cds.observability.logging import log
from cds.observability.metrics import Metrics
from cds.protocol.feedback import FeedbackItem
from cds.security.caller import current_caller
from cds.security.pseudonymisation import Secrecy
from cds.storage.database import StoreDown
from cds.storage.decision_log import DecisionRecords
from rules.model.decision import Decision

PATIENT = "patient"
"""Key of the request's state under which the keyed hash of the patient is left."""


class Watch:
    """Takes notice; fails nobody's call."""

    def __init__(self, metrics: Metrics, secrecy: Secrecy, records: DecisionRecords) -> None:
        """Count in ``metrics``, keep decisions in ``records`` where the site gave a key."""
        self.metrics, self._secrecy, self._records = metrics, secrecy, records

    def about(self, request: Request, patient: str) -> None:
        """The call ``request`` is about ``patient`` (an id); only the keyed hash is noted."""
        setattr(request.state, PATIENT, self._secrecy.patient(current_caller.get().namespace, patient))

    def decided(self, service: str, decision: Decision) -> None:
        """The hook, operation or route called ``service`` made ``decision``."""
        self.metrics.decided(service, decision)
        if not self._secrecy.seals:
            return
        request = str(structlog.contextvars.get_contextvars().get("request", ""))
        try:
            self._records.keep(decision.at, request, {"service": service, "decision": decision.as_json()})
        except StoreDown as error:
            self.metrics.store_failed("records")
            log.warning("decision record lost", reason=str(error))

    def fed_back(self, service: str, items: Sequence[FeedbackItem]) -> None:
        """The feedback ``items`` on cards of ``service`` were kept."""
        self.metrics.fed_back(service, items)
