"""Observations and their components."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from cds.fhir.json_access import items, shown
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.clinical_record import ClinicalRecordReader, When, status_problem
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason

_FINAL = ("final", "amended", "corrected")


@dataclass(frozen=True)
class ObservationReader(ClinicalRecordReader):
    """Reads Observations."""

    def observation(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from the value of an Observation and from those of its components."""
        observation = record.resource
        when = self.when(
            observation, "effectiveDateTime", "effectiveInstant", "effectivePeriod", "effectiveTiming", "issued"
        )
        problem = status_problem(observation, _FINAL)
        components = items(observation, "component")
        if not components or any(key.startswith("value") for key in observation):
            yield from self.part(observation, record, when, problem)
        for component in components:
            yield from self.part(component, record, when, problem)

    def part(
        self, part: object, record: Record, when: When, problem: RejectionReason | None
    ) -> Iterator[Accepted | Rejected]:
        """Facts from an Observation or one of its components, whose status already has ``problem``."""
        meanings, trouble = self.meanings(part, record)
        if trouble is not None:
            yield trouble
        elif not meanings and (unreadable := _code_problem(part)) is not None:
            yield Rejected(None, shown(part), unreadable, record.label, when.moment)
        elif meanings and isinstance(part, dict):
            yield self.stated(part, meanings, record, when, problem)


def _code_problem(part: object) -> RejectionReason | None:
    """What keeps anybody from telling what ``part`` (an Observation or a component) is about; None where it has a code."""
    code = part.get("code") if isinstance(part, dict) else None
    if not isinstance(code, dict) or not code:
        return RejectionReason("malformed", "malformed: no code")
    listed = code.get("coding", [])
    if not isinstance(listed, list) or not all(isinstance(coding, dict) for coding in listed):
        return RejectionReason("malformed", "malformed code: coding is not a list of Codings")
    pairs = (coding.get(key, "") for coding in listed for key in ("system", "code"))
    if all(isinstance(written, str) for written in pairs):
        return None
    return RejectionReason("malformed", "malformed code: system and code are texts")
