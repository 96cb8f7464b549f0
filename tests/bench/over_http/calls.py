"""The calls that are measured, as bytes: the records of an invented patient, made for the moment at which they are sent."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.bench.export import LABORATORY
from tests.cds.hook_calls import COLLAR_ORDER, MEASURED, OTHER_ORDER, observation, order_select

PATH = "/cds-services/collar-order-select"
TYPICAL_RESOURCES = 40
HEAVY_OBSERVATIONS = 1_000
_NO_OBSERVATIONS = 3
"""Patient, Encounter and the draft order."""
FINDINGS = (
    observation("neck-line", False),
    observation("cannot-lie-flat", False),
)


@dataclass(frozen=True)
class Call:
    """One call: its name in tables, and its body. ``concerns``: whether it gets a card."""

    name: str
    body: bytes
    concerns: bool = True


def typical() -> Call:
    """40 resources, about 13 kB: measures and findings of the neck among results of the laboratory."""
    return Call("typical", order_select_of(TYPICAL_RESOURCES))


def heavy() -> Call:
    """1,000 Observations, about 341 kB."""
    return Call("heavy", order_select_of(HEAVY_OBSERVATIONS + _NO_OBSERVATIONS))


def silent() -> Call:
    """The typical call where the selected order is none of ours."""
    return Call("silent", order_select_of(TYPICAL_RESOURCES, OTHER_ORDER), concerns=False)


def order_select_of(
    resources: int, order: dict[str, Any] = COLLAR_ORDER, findings: Sequence[dict[str, Any]] = (*MEASURED, *FINDINGS)
) -> bytes:
    """A body of order-select with so many resources in all: ``findings``, and laboratory results for the rest."""
    others = max(0, resources - len(findings) - _NO_OBSERVATIONS)
    sent = order_select(*findings, *map(_laboratory, range(others)), drafts=(order,))
    recorded = datetime.now(UTC) - timedelta(hours=2)
    text = json.dumps(sent, separators=(",", ":"))
    return text.replace("2026-01-31T08:00:00Z", f"{recorded:%Y-%m-%dT%H:%M:%SZ}").encode()


def _laboratory(number: int) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": f"laboratory-result-{number}",
        "status": "final",
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": "http://loinc.org", "code": LABORATORY[number % len(LABORATORY)]}]},
        "effectiveDateTime": "2026-01-31T08:00:00Z",
        "valueQuantity": {
            "value": round(4.5 + number / 10, 1),
            "system": "http://unitsofmeasure.org",
            "code": "mmol/L",
            "unit": "mmol/L",
        },
    }
