"""Encounter and Location: the setting that the patient is in now, by the location's type or name, else by the encounter's class."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.reading.bundle_index import Record, ReferenceIndex, names_of, refers_to
from cds.fhir.reading.code_map import CodeMap, CodingKey, coding_of, codings_of, texts_of
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.neck_concepts import TOO_LONG, complaint
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason

SETTING = "setting"
_RUNNING = ("arrived", "triaged", "in-progress", "onleave")
_NOT_RUNNING = ("planned", "finished", "cancelled", "entered-in-error")
_TYPE, _NAME = 2, 1
"""The type of a place goes before its name, and that before the class of the encounter."""
_NO_CODING = RejectionReason("malformed", "malformed class: not a Coding with a system and a code")
_NO_FACTS = "the reason of an encounter gives no facts: read it yourself"


def current_encounter(encounters: Sequence[Record], asked: str | None, at: datetime) -> Record | None:
    """The one of ``encounters`` to read: the one ``asked`` for, else of those that run the one that started last.

    A start without a time zone has that of the moment ``at``. None where there is none.
    """
    if asked is not None:
        return next((record for record in encounters if refers_to(asked, names_of(record))), None)
    running = [record for record in encounters if record.resource.get("status") in _RUNNING]
    return max(running, key=lambda record: (_start(record.resource, at), record.label), default=None)


def _start(holder: object, at: datetime) -> float:
    """The start of the holder's period in seconds, before all others where none can be read."""
    try:
        return moment(mapping(holder, "period").get("start"), at.tzinfo).timestamp()
    except DateError:
        return -math.inf


def read_encounter(
    record: Record, locations: ReferenceIndex, code_map: CodeMap, at: datetime
) -> Iterator[Accepted | Rejected]:
    """The setting from an Encounter ``record`` at the moment ``at``, by the codes of ``code_map``.

    References to ``locations`` that were not sent say nothing.
    """
    encounter = record.resource
    status = encounter.get("status")
    if status not in _RUNNING:
        why = RejectionReason("status", "the encounter is not running")
        yield Rejected(SETTING, shown(encounter.get("status", "no status")), why, record.label)
        return
    start = mapping(encounter, "period").get("start")
    try:
        recorded = None if start is None else moment(start, at.tzinfo)
    except DateError as error:
        yield Rejected(
            SETTING,
            shown(start),
            RejectionReason("malformed", f"malformed start of the encounter: {error}"),
            record.label,
        )
        return
    if recorded is not None and recorded > at:
        yield Rejected(
            SETTING,
            shown(start),
            RejectionReason("future", "the encounter starts in the future"),
            record.label,
            recorded,
        )
        return

    def found(codings: Sequence[CodingKey], standing: int) -> Iterator[Accepted]:
        """The settings that ``codings`` mean; see Accepted for the rank ``standing``."""
        for coding in codings:
            if coding in code_map.settings:
                value = code_map.settings[coding]
                yield Accepted(
                    SETTING, value, shown(coding.code), record.label, record.reference, recorded, standing, ages=False
                )

    places, said = _places_now(encounter, locations, at)
    by_type = [one for place in places for concept in items(place, "type") for one in found(codings_of(concept), _TYPE)]
    yield from by_type
    for words in () if by_type else dict.fromkeys((*said, *(name for place in places for name in _names(place)))):
        setting = code_map.setting_in_words(words)
        if setting is not None:
            yield Accepted(SETTING, setting, shown(words), record.label, record.reference, recorded, _NAME, ages=False)
    own_class = coding_of(encounter.get("class"))
    yield from found([own_class] if own_class is not None else [], 0)
    if own_class is not None and all(own_class.system != known.system for known in code_map.settings):
        why = RejectionReason("code", f"a class of {shown(own_class.system)}, of which no code says a setting")
        yield Rejected(SETTING, shown(own_class.code), why, record.label, recorded)
    if own_class is None and encounter.get("class") is not None:
        written = text(encounter["class"], "code") or encounter["class"]
        yield Rejected(SETTING, shown(written), _NO_CODING, record.label, recorded)


def may_run(encounter: Mapping[str, Any]) -> bool:
    """Whether ``encounter`` runs by its status, or may: a status that cannot be read does not say that it is over."""
    return encounter.get("status") not in _NOT_RUNNING


def read_reasons(record: Record, conditions: ReferenceIndex, code_map: CodeMap) -> Iterator[Rejected]:
    """What an Encounter ``record`` that may run says of its reason, and of its diagnoses that were not sent, about the neck.

    ``conditions`` finds those that were sent, ``code_map`` tells what is about the neck. For a person to read: a chief
    complaint is no diagnosis, and gives no fact.
    """
    encounter = record.resource
    if not may_run(encounter):
        return
    referred = [
        *items(encounter, "reasonReference"),
        *(mapping(each, "condition") for each in items(encounter, "diagnosis")),
    ]
    unsent = [each for each in referred if not any(conditions.keys(text(each, "reference") or ""))]
    named = [{"text": text(each, "display")} for each in unsent]
    for concept in (*items(encounter, "reasonCode"), *named):
        found = complaint(concept, code_map)
        if found is not None:
            said = TOO_LONG if found.cut else _NO_FACTS
            why = RejectionReason("code" if found.slight else "unread", said, may_be=found.may_be)
            yield Rejected(None, shown(found.words), why, record.label)


def _places_now(encounter: object, locations: ReferenceIndex, at: datetime) -> tuple[list[object], list[str]]:
    """Each Location of a stay that goes on, once however many stays lead to it, and what the stays call their places."""
    keys: dict[str, None] = {}
    contained: dict[str, None] = {}
    said: list[str] = []
    for stay in items(encounter, "location"):
        place = mapping(stay, "location")
        if text(stay, "status") in ("planned", "reserved", "completed") or _ended(stay, at):
            continue
        name, reference = text(place, "display"), text(place, "reference")
        said += [] if name is None else [name]
        if reference is not None and reference.startswith("#"):
            contained[reference[1:]] = None
        elif reference is not None:
            keys.update(dict.fromkeys(locations.keys(reference)))
    within = [one for one in items(encounter, "contained") if text(one, "id") in contained]
    return [*(record.resource for key in keys for record in locations.under(key)), *within], said


def _names(location: object) -> list[str]:
    """What a Location is called."""
    concepts = items(location, "type")
    return [*filter(None, [text(location, "name")]), *(words for concept in concepts for words in texts_of(concept))]


def _ended(stay: object, at: datetime) -> bool:
    """Whether the stay is over. An end that cannot be read counts as one: then the stay says nothing about now."""
    end = mapping(stay, "period").get("end")
    if end is None:
        return False
    try:
        return moment(end, at.tzinfo) <= at
    except DateError:
        return True
