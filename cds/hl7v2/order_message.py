"""The orders of a decision as one HL7 Version 2.5.1 order message: OMG^O19, or ORM^O01 for older receivers.

It is written from the FHIR orders, so that the two never differ; which element goes where follows HL7's v2-to-FHIR mapping of
ORC, OBR and TQ1. Every order is on hold (ORC-5) until a clinician authorises it in the receiving system. Needs hl7apy, which
checks segments, their order and their fields against the standard while they are written.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal, TypeAlias

from hl7apy import load_reference
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.core import Group, Message, Segment
from hl7apy.exceptions import HL7apyException
from hl7apy.validation import Validator

from cds.fhir.datatypes import Resource
from cds.fhir.writing.identifiers import name_of
from rules.errors import NuqueError

Structure: TypeAlias = Literal["OMG_O19", "ORM_O01"]

VERSION = "2.5.1"
CODING_SYSTEM = "99NUQUE"
"""How a code of ours is marked: table 0396 keeps ``99...`` for codes of a sender."""

PROPOSAL = "Proposal of decision support: on hold until a clinician authorises it."

_ESCAPED = {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"}
_DELIMITER = re.compile(r"[\\|^&~]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]+")


class OrderMessageError(NuqueError):
    """Something does not go into a message; the text says what, and what to do."""


@dataclass(frozen=True)
class MessageHeader:
    """Who sends and who receives (MSH-3 to MSH-6), the unique id of the message, its moment, and whether it is a test."""

    control_id: str
    at: datetime
    sending_application: str = "NUQUE"
    sending_facility: str = ""
    receiving_application: str = ""
    receiving_facility: str = ""
    test: bool = False


@dataclass(frozen=True)
class PatientIdentification:
    """What PID and PV1 say: number with its assigning authority, name, birth date (``1980-01-31``), sex (FHIR code), visit."""

    number: str
    authority: str = ""
    family: str = ""
    given: str = ""
    birth_date: str = ""
    sex: str = ""
    visit: str = ""


def order_message(
    orders: Sequence[Resource],
    header: MessageHeader,
    patient: PatientIdentification,
    structure: Structure = "OMG_O19",
    group: str = "",
) -> str:
    """One message for ``orders``: ServiceRequests of ours, and the DeviceRequest. MSH-18 asks that it be sent as UTF-8.

    ``header`` says who sends it to whom, ``patient`` whom it is about, and ``structure`` which message it is. Segments
    end with a carriage return. Each ServiceRequest becomes an order; what the DeviceRequest says of the collar stands
    with the order to fit it, which is the first. ``group`` is the name of the order set (ORC-4). Raises
    OrderMessageError where there is nothing to order or a value does not fit the standard's field.
    """
    services = [order for order in orders if order["resourceType"] == "ServiceRequest"]
    if not services:
        raise OrderMessageError("the decision orders nothing, so there is no message to write")
    parameters = [each for order in orders for each in order.get("parameter", ())]
    try:
        message = Message(structure, version=VERSION, validation_level=VALIDATION_LEVEL.STRICT)
        _write_header(message, header, structure)
        _write_patient(message.add_group(f"{structure}_PATIENT"), structure, patient)
        for number, order in enumerate(services, 1):
            observations = _observations(order, parameters if number == 1 else ())
            written = _Order(message.add_group(f"{structure}_ORDER"), structure)
            written.write(number, order, observations, header, group)
        Validator.validate(message, structure_of(structure, "Message"))
        return str(message.to_er7()) + "\r"
    except HL7apyException as error:
        raise OrderMessageError(f"not a valid {structure} message of HL7 {VERSION}: {error}") from error


def field(*components: str) -> str:
    """``components`` as the text of one field: delimiters escaped (section 2.7), empty ones at the end left out."""
    return "^".join(map(_escaped, components)).rstrip("^")


def structure_of(name: str, kind: Literal["Message", "Group"]) -> tuple[str, list[list[Any]]]:
    """What hl7apy knows of the structure ``name`` of that ``kind``, with every choice of segments narrowed to OBR.

    Its own check asks for all segments of a choice, and so refuses every ORM^O01.
    """
    how, children, *_ = load_reference(name, kind, VERSION)
    if how == "choice":
        return "sequence", [child for child in children if child[0] == "OBR"]
    return how, [
        [child, structure_of(child, "Group") if sort == "GRP" else reference, often, sort]
        for child, reference, often, sort in children
    ]


def _escaped(value: str) -> str:
    return _DELIMITER.sub(lambda found: _ESCAPED[found[0]], _CONTROL.sub(" ", value).strip())


def _write_header(message: Message, header: MessageHeader, structure: Structure) -> None:
    code, event = structure.split("_")
    _fill(
        message.msh,
        {
            3: field(header.sending_application),
            4: field(header.sending_facility),
            5: field(header.receiving_application),
            6: field(header.receiving_facility),
            7: _moment(header.at),
            9: field(code, event, structure),
            10: field(header.control_id),
            11: "T" if header.test else "P",
            12: VERSION,
            18: "UNICODE UTF-8",
        },
    )


def _write_patient(group: Group, structure: Structure, patient: PatientIdentification) -> None:
    named = bool(patient.family or patient.given)
    _fill(
        group.add_segment("PID"),
        {
            1: "1",
            3: field(patient.number, "", "", patient.authority),
            # Type U: the name is not known here.
            5: field(patient.family, patient.given) if named else field("", "", "", "", "", "", "U"),
            7: re.sub(r"\D", "", patient.birth_date),
            8: {"male": "M", "female": "F", "other": "O", "unknown": "U"}.get(patient.sex, ""),
        },
    )
    if patient.visit:
        visit = group.add_group(f"{structure}_PATIENT_VISIT").add_segment("PV1")
        _fill(visit, {1: "1", 2: "U", 19: field(patient.visit)})


class _Order:
    """One order of a message, in the shape of its structure."""

    def __init__(self, group: Group, structure: Structure) -> None:
        self.group = group
        self.structure = structure

    def write(
        self,
        number: int,
        order: Resource,
        observations: Iterable[tuple[str, str, str]],
        header: MessageHeader,
        set_: str,
    ) -> None:
        """ORC, timing, OBR, notes and observations, in the order that the structure asks for."""
        placer = field(_plain(name_of(order)), header.sending_application)
        common = {1: "NW", 2: placer, 5: "HD", 9: _moment(header.at)}
        if set_:
            common[4] = field(_plain(set_), header.sending_application)
        timing = order.get("occurrenceTiming", {})
        priority = "S" if order.get("priority") == "stat" else "R"
        if self.structure == "OMG_O19":
            _fill(self.group.add_segment("ORC"), common)
            _fill(self.group.add_group("OMG_O19_TIMING").add_segment("TQ1"), _tq1(timing, priority))
            inner = detail = self.group
        else:
            _fill(self.group.add_segment("ORC"), {**common, 7: _tq(timing, priority)})
            inner = self.group.add_group("ORM_O01_ORDER_DETAIL")
            detail = inner.add_group("ORM_O01_OBRRQDRQ1RXOODSODT_SUPPGRP")
        _fill(detail.add_segment("OBR"), {1: str(number), 2: placer, 4: _coded(order["code"])})
        for position, (kind, words) in enumerate(_comments(order), 1):
            comment = {1: str(position), 2: "O", 3: field(words), 4: field(*kind, "HL70364")}
            _fill(inner.add_segment("NTE"), comment)
        for position, (data_type, asked, value) in enumerate(observations, 1):
            observation = inner.add_group(f"{self.structure}_OBSERVATION").add_segment("OBX")
            _fill(observation, {1: str(position), 2: data_type, 3: asked, 5: value, 11: "F"})


def _tq1(timing: Mapping[str, Any], priority: str) -> dict[int, str]:
    words = {"S": "Stat", "R": "Routine"}
    start, end = _period(timing)
    return {
        1: "1",
        3: _repeat(timing),
        7: start,
        8: end,
        9: field(priority, words[priority], "HL70485"),
        11: field(_words(timing)),
    }


def _tq(timing: Mapping[str, Any], priority: str) -> str:
    start, end = _period(timing)
    parts = ["", _repeat(timing), "", start, end, priority, "", field(_words(timing))]
    return "^".join(parts).rstrip("^")


def _repeat(timing: Mapping[str, Any]) -> str:
    """The repeat pattern ``Q<n>H`` (table 0335) where the rhythm is whole hours; everything else is said in words."""
    repeat = timing.get("repeat", {})
    period = repeat.get("period")
    return f"Q{period}H" if repeat.get("periodUnit") == "h" and isinstance(period, int) else ""


def _period(timing: Mapping[str, Any]) -> tuple[str, str]:
    period = timing.get("repeat", {}).get("boundsPeriod", {})
    start, end = ((_moment(datetime.fromisoformat(period[key])) if key in period else "") for key in ("start", "end"))
    return start, end


def _words(timing: Mapping[str, Any]) -> str:
    return str(timing.get("code", {}).get("text", ""))


def _comments(order: Resource) -> Iterator[tuple[tuple[str, str], str]]:
    """The comments of an order, one a line of text, each with its type of table 0364."""
    remark, instruction, reason = ("RE", "Remark"), ("GI", "General Instructions"), ("GR", "General Reason")
    yield remark, PROPOSAL
    if "performerType" in order:
        yield instruction, f"To be done by: {order['performerType']['text']}"
    texts = [
        *((instruction, each["text"]) for each in order.get("orderDetail", ())),
        *((instruction, f"Where: {each['text']}") for each in order.get("locationCode", ())),
        *((reason, each["text"]) for each in order.get("reasonCode", ())),
        *((remark, each["text"]) for each in order.get("note", ())),
    ]
    for kind, said in texts:
        yield from ((kind, line) for line in said.splitlines() if line.strip())


def _observations(order: Resource, parameters: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, str, str]]:
    """Data type (OBX-2), what is said (OBX-3) and the value (OBX-5): size class, its axes, and how many people it takes."""
    for detail in order.get("orderDetail", ()):
        if "coding" in detail:
            yield "CE", field("size-class", "Size class", CODING_SYSTEM), _coded(detail)
    for parameter in parameters:
        yield "CE", _coded(parameter["code"]), _coded(parameter["valueCodeableConcept"])
    for extension in order.get("extension", ()):
        if "valuePositiveInt" in extension:
            people = str(extension["valuePositiveInt"])
            yield "NM", field("people-needed", "People needed", CODING_SYSTEM), people


def _coded(concept: Mapping[str, Any]) -> str:
    return field(concept["coding"][0]["code"], concept["text"], CODING_SYSTEM)


def _fill(segment: Segment, fields: Mapping[int, str]) -> None:
    for position, value in fields.items():
        if value:
            setattr(segment, f"{segment.name}_{position}".lower(), value)


def _moment(at: datetime) -> str:
    return at.astimezone(UTC).strftime("%Y%m%d%H%M%S+0000")


def _plain(name: str) -> str:
    return name.removeprefix("urn:uuid:")
