"""What a command was given - plain facts, FHIR, or a hook request - as facts to decide on."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, TypeAdapter, ValidationError

from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.dates import by_the_clock
from cds.fhir.reading.reader import read
from cds.strict_json import JsonProblem, parse
from rules.errors import NuqueError
from rules.model.decision import NotUsed
from rules.model.facts import RecordedFact
from rules.model.ruleset import Ruleset

_MOMENT = TypeAdapter(AwareDatetime)
_TIME_ZONE = "NUQUE_TIME_ZONE"
"""The setting of the service that says which clocks the wards have."""


class InputError(NuqueError):
    """A file cannot be taken as input. The message says what it was and what was expected."""


@dataclass(frozen=True)
class Input:
    """Facts to decide on (plain by name, or recorded with their origin), the moment, and what was refused.

    ``patient`` and ``encounter`` are references for what is written back; ``title`` is for display.
    """

    title: str
    at: datetime
    facts: Mapping[str, object] | Sequence[RecordedFact]
    not_used: Sequence[NotUsed] = ()
    patient: str | None = None
    encounter: str | None = None


def read_input(
    content: bytes, name: str, ruleset: Ruleset, codes: Callable[[], CodeMap], at: datetime | None, now: datetime
) -> Input:
    """The JSON in ``content`` (of the file ``name``) as input. ``codes`` gives the code map, and is asked only for FHIR.

    Facts are those of ``ruleset``. Plain facts may carry their own moment (``at``); an explicit moment ``at`` stands
    above it, the moment ``now`` below. Days without a time are those of the zone of ``at``; now, of the wards' clocks. Raises
    InputError where it is not JSON or none of the three forms, ReadingError where FHIR cannot be read.
    """
    if not content.strip():
        raise InputError(f"{name}: the file is empty; expected facts, FHIR or a CDS Hooks request, as JSON")
    try:
        value = parse(content)
    except JsonProblem as error:
        raise InputError(f"{name}: {error}") from error
    if isinstance(value, list) and (odd := [place for place, one in enumerate(value) if not isinstance(one, dict)]):
        raise InputError(f"{name}: item {odd[0]}: a list is taken as FHIR resources, and this item is not an object")
    if isinstance(value, list) or (isinstance(value, dict) and ("resourceType" in value or "hook" in value)):
        return _read_fhir(value, name, ruleset, codes(), at or now, at or by_the_clock(now, _zone()))
    if isinstance(value, dict):
        return _read_facts(value, name, at, now)
    raise InputError(f"{name}: expected an object with facts, a FHIR resource or Bundle, or a CDS Hooks request")


def _zone() -> ZoneInfo | None:
    """The time zone of the wards' clocks, as the service has it; None: that of this machine."""
    named = os.environ.get(_TIME_ZONE)
    try:
        return ZoneInfo(named) if named else None
    except (KeyError, ValueError, OSError) as error:
        raise InputError(f"{_TIME_ZONE}: {named!r} is no IANA name of a time zone that this machine knows") from error


def _read_fhir(value: Any, name: str, ruleset: Ruleset, code_map: CodeMap, at: datetime, clock: datetime) -> Input:
    reading = read(value, ruleset, code_map, clock)
    # Where a patient has no id, the place in the file stands for it, and tells nobody who it is.
    named = reading.patient and "/" in reading.patient and f"({reading.patient})"
    title = " ".join(part for part in (reading.patient_name, named) if part)
    return Input(title or name, at, reading.facts, reading.not_used, reading.patient, reading.encounter)


def _read_facts(value: dict[str, Any], name: str, at: datetime | None, now: datetime) -> Input:
    facts = value.get("facts", {key: fact for key, fact in value.items() if key != "at"})
    if not isinstance(facts, dict):
        raise InputError(f"{name}: facts: expected an object from fact names to values")
    if "facts" in value and (beside := sorted(value.keys() - {"facts", "at"})):
        raise InputError(f"{name}: {', '.join(beside)}: beside 'facts' only 'at' is expected; put facts into 'facts'")
    return Input(name, at or _moment(value, name) or now, facts)


def _moment(value: dict[str, Any], name: str) -> datetime | None:
    if "at" not in value:
        return None
    try:
        return _MOMENT.validate_python(value["at"])
    except ValidationError as error:
        raise InputError(
            f"{name}: at: {value['at']!r} is not a moment with time zone such as 2026-01-31T10:00:00Z"
        ) from error
