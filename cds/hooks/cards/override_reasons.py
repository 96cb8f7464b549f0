"""Why a clinician may go against a card: codes of our own, short enough to choose from at the bedside."""

from __future__ import annotations

from cds.fhir.canonical_urls import Canonicals
from cds.hooks.protocol.response import Coding

SYSTEM = "override-reasons"

REASONS = {
    "measured-otherwise": "Measured at the bedside with another result",
    "fit-checked": "Another size was tried on and fits",
    "not-in-stock": "The suggested size is not in stock",
    "specialist-advice": "A specialist advised otherwise",
    "already-arranged": "Already ordered or arranged",
    "not-tolerated": "The patient does not tolerate or accept it",
    "local-protocol": "Local protocol says otherwise",
    "data-wrong": "The recorded data are wrong or out of date",
    "other": "Another reason (please comment)",
}


def override_reasons(urls: Canonicals) -> tuple[Coding, ...]:
    """The reasons as codings under the canonical base of ``urls``."""
    return tuple(
        Coding(system=urls.code_system(SYSTEM), code=code, display=display) for code, display in REASONS.items()
    )
