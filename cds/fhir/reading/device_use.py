"""DeviceUseStatement: whether a collar is on, which kind it is, and for how long it has been worn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.reading.bundle_index import Record, ReferenceIndex
from cds.fhir.reading.code_map import CodeMap, Collar
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.reconciliation import Accepted, Rejected, unmodified
from cds.fhir.reading.rejection import RejectionReason

IN_PLACE, KIND, HOURS = "collar_in_place", "collar_kind", "collar_hours"
_ENDED = ("completed", "stopped")


def read_device_uses(
    records: Sequence[Record], devices: ReferenceIndex, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    """What DeviceUseStatement ``records`` say of collars at ``at``. Statements about other devices say nothing.

    That one collar came off says nothing against another that is on, so ends are left out where a collar is in use.
    """
    collars = _Collars(devices, code_map)
    findings = [finding for record in records for finding in unmodified(record, _read(record, collars, code_map, at))]
    in_use = any(isinstance(finding, Accepted) and finding.value is True for finding in findings)
    for finding in findings:
        if not (in_use and isinstance(finding, Accepted) and finding.value is False):
            yield finding


def _read(record: Record, collars: _Collars, code_map: CodeMap, at: datetime) -> Iterator[Accepted | Rejected]:
    collar = collars.of(record.resource)
    if collar is None:
        yield from _look_alike(record, code_map)
        return
    status = record.resource.get("status")
    if status == "active":
        yield from _worn(record, collar, code_map, at)
    elif status in _ENDED:
        yield _taken_off(record, at)
    else:
        written = "no status" if status is None else f"status {shown(status)}"
        why = RejectionReason("status", "does not say that the collar is on, nor that it is off")
        yield Rejected(IN_PLACE, written, why, record.label)


def _look_alike(record: Record, code_map: CodeMap) -> Iterator[Rejected]:
    """Words about a neck collar that nobody mapped: one may be on."""
    display = code_map.collar_look_alike({"text": mapping(record.resource, "device").get("display")})
    if display is not None and record.resource.get("status") == "active":
        why = RejectionReason("code", "may be a neck collar, but is not read as a rigid one: look whether one is on")
        yield Rejected(IN_PLACE, shown(display), why, record.label)


def _worn(record: Record, collar: Collar, code_map: CodeMap, at: datetime) -> Iterator[Accepted | Rejected]:
    statement = record.resource
    written = mapping(statement, "timingPeriod").get("start", statement.get("timingDateTime"))
    noted = statement.get("recordedOn") if written is None else written
    try:
        since = None if noted is None else moment(noted, at.tzinfo)
    except DateError as error:
        yield Rejected(IN_PLACE, shown(noted), RejectionReason("malformed", f"malformed time: {error}"), record.label)
        return
    if since is not None and since > at:
        why = RejectionReason("future", "the collar is to be worn from a moment in the future")
        yield Rejected(IN_PLACE, shown(noted), why, record.label, since)
        return
    words = "in use" if since is None else f"in use since {shown(noted)}"
    yield Accepted(IN_PLACE, True, words, record.label, record.reference, since, ages=False)
    if collar.kind is not None:
        yield Accepted(
            KIND, collar.kind, collar.display or collar.kind, record.label, record.reference, since, ages=False
        )
    if written is None or since is None:
        return
    hours = (at - since).total_seconds() / 3600
    problem = code_map.vocabulary[HOURS].problem(hours)
    if problem is not None:
        why = RejectionReason("implausible", f"{problem}: {hours:.0f} h")
        yield Rejected(HOURS, f"since {shown(written)}", why, record.label, since)
    else:
        yield Accepted(HOURS, hours, f"since {shown(written)}", record.label, record.reference, since, ages=False)


def _taken_off(record: Record, at: datetime) -> Accepted | Rejected:
    statement = record.resource
    end = mapping(statement, "timingPeriod").get("end", statement.get("recordedOn"))
    try:
        ended = moment(end, at.tzinfo)
    except DateError as error:
        why = RejectionReason("no time", f"it is not recorded when the use ended: {error}")
        return Rejected(IN_PLACE, shown(end), why, record.label)
    if ended > at:
        return Rejected(
            IN_PLACE, shown(end), RejectionReason("future", "the use ends in the future"), record.label, ended
        )
    return Accepted(IN_PLACE, False, f"use ended {shown(end)}", record.label, record.reference, ended)


class _Collars:
    """Which collar a statement's device is, by the Device resource (contained or sent along), or by its words."""

    def __init__(self, devices: ReferenceIndex, code_map: CodeMap) -> None:
        self._devices, self._code_map = devices, code_map
        self._sent: dict[str, Collar | None] = {}

    def of(self, statement: dict[str, Any]) -> Collar | None:
        device = mapping(statement, "device")
        reference = text(device, "reference")
        found = [self._code_map.collar({"text": device.get("display")})]
        if reference is not None and reference.startswith("#"):
            held = (item for item in items(statement, "contained") if text(item, "id") == reference[1:])
            found.extend(self._code_map.collar(mapping(item, "type")) for item in held)
        elif reference is not None:
            found.extend(self._under(key) for key in self._devices.keys(reference))
        return _plainest(found)

    def _under(self, key: str) -> Collar | None:
        """The collar among the devices under ``key``, looked up once for all statements."""
        if key not in self._sent:
            types = (mapping(record.resource, "type") for record in self._devices.under(key))
            self._sent[key] = _plainest(map(self._code_map.collar, types))
        return self._sent[key]


def _plainest(found: Iterable[Collar | None]) -> Collar | None:
    """The first whose kind is known, else the first."""
    return max((one for one in found if one is not None), key=lambda collar: collar.kind is not None, default=None)
