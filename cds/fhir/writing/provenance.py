"""Which records a part of a decision rests on: from rule ids, over the trace, to references of the patient's record."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from cds.fhir.datatypes import Element, text
from cds.fhir.writing.order_context import referenced_type
from rules.model.decision import Decision

# The types that R4 allows in reasonReference of ServiceRequest, DeviceRequest and CarePlan.activity.detail.
_REASONS = ("Condition", "Observation", "DiagnosticReport", "DocumentReference")


@dataclass(frozen=True)
class SupportingRecords:
    """References to the records used: those that may stand as reasons, and the others (never the patient, the subject)."""

    reasons: tuple[str, ...] = ()
    others: tuple[str, ...] = ()

    @property
    def reason_references(self) -> list[Element]:
        """For ``reasonReference``."""
        return [{"reference": reference} for reference in self.reasons]

    @property
    def supporting_info(self) -> list[Element]:
        """For ``supportingInfo``. What is not a literal reference (an entry of a Bundle, say) is only named."""
        return [
            {"display": text(other)} if referenced_type(other) is None else {"reference": other}
            for other in self.others
        ]


def supporting_records(decision: Decision, rules: Iterable[str]) -> SupportingRecords:
    """The records that made ``rules`` (ids) fire in ``decision``, also through facts that other rules concluded from them."""
    typed = {reference: referenced_type(reference) for reference in decision.records(rules)}
    return SupportingRecords(
        reasons=tuple(reference for reference, kind in typed.items() if kind in _REASONS),
        others=tuple(r for r, kind in typed.items() if kind not in (*_REASONS, "Patient", "Encounter")),
    )
