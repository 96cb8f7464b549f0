"""Prometheus metrics. Labels are fixed words of ours; nothing that a caller sends becomes a label."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector

from cds.protocol.feedback import FeedbackItem
from rules.model.decision import Decision

_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 2.5, 5.0, 10.0)


_taken: ContextVar[dict[str, float] | None] = ContextVar("_taken", default=None)


@contextmanager
def stage_times() -> Iterator[dict[str, float]]:
    """Seconds by stage of what is done in the block, filled in stage by stage."""
    taken: dict[str, float] = {}
    before = _taken.set(taken)
    try:
        yield taken
    finally:
        _taken.reset(before)


_FOLDER = "PROMETHEUS_MULTIPROC_DIR"
"""The library's own variable: where it is set, the workers of a service count in files of this folder."""


class Metrics:
    """The metrics of one application."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._stages = Histogram(
            "nuque_stage_seconds",
            "Time by stage: trust, fetch (FHIR server), decide, whole (the call)",
            ["stage"],
            buckets=_SECONDS,
            registry=self.registry,
        )
        self._answers = Counter(
            "nuque_answers_total", "Answers by route and status", ["route", "status"], registry=self.registry
        )
        self._decisions = Counter(
            "nuque_decisions_total",
            "Decisions by service and size class ('none' where no size is given)",
            ["service", "size_class"],
            registry=self.registry,
        )
        self._refused_values = Counter(
            "nuque_refused_values_total",
            "Values that were seen and not used, by fact (unknown: no fact was recognised) and reason",
            ["fact", "reason"],
            registry=self.registry,
        )
        self._cards = Counter(
            "nuque_cards_total", "Cards by service and indicator", ["service", "indicator"], registry=self.registry
        )
        self._silent = Counter(
            "nuque_silent_repeats_total",
            "Cards not repeated after a reasoned override",
            ["service"],
            registry=self.registry,
        )
        self._outcomes = Counter(
            "nuque_card_outcomes_total",
            "Feedback by service and outcome",
            ["service", "outcome"],
            registry=self.registry,
        )
        self._refused_calls = Counter(
            "nuque_refused_calls_total", "Calls refused before they were read", ["reason"], registry=self.registry
        )
        self._unaudited = Counter(
            "nuque_refusals_not_in_audit_trail_total",
            "Refused calls that are in the log only, as there were too many for the audit trail",
            registry=self.registry,
        )
        self._store_failures = Counter(
            "nuque_store_failures_total", "Times that the store could not be used", ["purpose"], registry=self.registry
        )
        self._waiting_rows = Gauge(
            "nuque_rows_waiting",
            "Cards and audit rows that wait for the store",
            registry=self.registry,
            multiprocess_mode="livesum",
        )
        self._lost_rows = Counter(
            "nuque_rows_lost_total",
            "Cards and audit rows that were not kept: too many waited, or the writer had ended",
            ["table"],
            registry=self.registry,
        )

        # Looked up at every call; there are only so many stages, routes and statuses.
        self._stage = cache(self._stages.labels)
        self._answer = cache(lambda route, status: self._answers.labels(route, str(status)))

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Measure the block as stage ``name``."""
        started = time.perf_counter()
        try:
            yield
        finally:
            seconds = time.perf_counter() - started
            self._stage(name).observe(seconds)
            if (taken := _taken.get()) is not None:
                taken[name] = seconds

    def answered(self, route: str, status: int) -> None:
        """Count an answer with the HTTP status code ``status`` of ``route``, a path as the application declares it."""
        self._answer(route, status).inc()

    def decided(self, service: str, decision: Decision) -> None:
        """Count ``decision``, made by ``service``, and the values that it could not use."""
        size = "none" if decision.size_class is None else decision.size_class.code
        self._decisions.labels(service, size).inc()
        for refused in decision.not_used:
            self._refused_values.labels(refused.fact or "unknown", refused.kind).inc()

    def issued(self, service: str, indicators: Sequence[str]) -> None:
        """Count the cards of ``service``, of which ``indicators`` has one each."""
        for indicator in indicators:
            self._cards.labels(service, indicator).inc()

    def kept_silent(self, service: str) -> None:
        """Count a card of ``service`` that was not repeated."""
        self._silent.labels(service).inc()

    def fed_back(self, service: str, items: Sequence[FeedbackItem]) -> None:
        """Count the ``items`` of feedback on ``service`` that were kept."""
        for item in items:
            self._outcomes.labels(service, item.outcome).inc()

    def refused(self, reason: str) -> None:
        """Count a call that was refused for ``reason``."""
        self._refused_calls.labels(reason).inc()

    def not_in_trail(self) -> None:
        """Count a refused call that the audit trail does not hold."""
        self._unaudited.inc()

    def store_failed(self, purpose: str) -> None:
        """Count a failure of the store, when it was used for ``purpose``."""
        self._store_failures.labels(purpose).inc()

    def row_lost(self, table: str) -> None:
        """Count a row of ``table`` that was not kept."""
        self._lost_rows.labels(table).inc()

    def rows_wait(self, count: int) -> None:
        """Report that ``count`` rows wait to be written to the store."""
        self._waiting_rows.set(count)

    def text(self) -> bytes:
        """All metrics in the text format of Prometheus, added up over the workers where there are several."""
        if _FOLDER not in os.environ:
            return generate_latest(self.registry)
        added_up = CollectorRegistry()
        MultiProcessCollector(added_up)  # type: ignore[no-untyped-call]
        return generate_latest(added_up)
