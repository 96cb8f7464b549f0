"""Decisions of every kind, and what is written for them: shared by the tests of drafts and of what is published."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st

from cds.fhir.writing.order_context import OrderContext
from rules.deciding.decider import Decider
from rules.model.facts import RecordedFact
from tests.cds.fhir.reading.records import REFUSALS, recorded, rewritten
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)

contexts = st.builds(
    OrderContext,
    patient=st.just("Patient/1"),
    encounter=st.sampled_from([None, "Encounter/2"]),
    requester=st.sampled_from([None, "Practitioner/3", "PractitionerRole/3", "Patient/1", "RelatedPerson/4"]),
)
MOMENT = datetime(2026, 1, 31, 10, tzinfo=UTC)
moments = st.datetimes(
    datetime(1900, 1, 1),
    datetime(2200, 1, 1),
    timezones=st.just(UTC) | st.just(timezone(timedelta(hours=5, minutes=30))),
)
decided = st.builds(DECIDER.decide, recorded(RULESET), moments, REFUSALS)

# Deciding takes most of the time, so tasks of every kind are tried on a few decisions made once.
EXAMPLES = [
    DECIDER.decide(
        [RecordedFact(name=name, value=value, reference=f"Observation/{name[:9]}") for name, value in facts.items()],
        MOMENT,
    )
    for facts in (
        {"age_years": 71, "neck_height_fingers": 3, "neck_swelling": True, "head_position": "fixed_flexion"},
        {"age_years": 3, "neck_height_mm": 46, "neck_circumference_mm": 240, "bed_rest": True},
        {"neck_height_mm": 70},
        {"age_years": 30, "airway_threat": True},
    )
]
decisions = st.sampled_from(EXAMPLES).flatmap(lambda decision: rewritten(RULESET, decision))


def every(value: Any) -> Iterator[Any]:
    yield value
    if isinstance(value, (dict, list)):
        for inner in value.values() if isinstance(value, dict) else value:
            yield from every(inner)
