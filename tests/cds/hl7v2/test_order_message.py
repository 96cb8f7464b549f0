"""HL7 v2 order messages are written, parsed and checked by ``hl7apy``, and say what the FHIR orders say.

Sources: HL7 Version 2.5.1, chapter 2 (escape sequences, 2.7), chapter 4 (OMG, 4.4.2; ORM, 4.4.1; ORC; OBR; TQ1), as hl7apy
holds them; tables 0364, 0396 and 0485.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.core import Message
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message
from hl7apy.validation import Validator

from cds.cli import main
from cds.fhir.datatypes import Resource
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import order_set
from cds.hl7v2.order_message import (
    PROPOSAL,
    MessageHeader,
    OrderMessageError,
    PatientIdentification,
    Structure,
    order_message,
    structure_of,
)
from cds.hl7v2.patient_identification import identification
from tests.cds.fhir.writing.drafts import EXAMPLES

DEMO = Path(__file__).resolve().parents[3] / "demo_bundles"
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
HEADER = MessageHeader("1", AT, "NUQUE", "Hollowmere", "ORDERS", "Hollowmere", test=True)
PATIENT = PatientIdentification("4711", "Hollowmere", "Ó Briain", "Síle", "1955-02-03", "female", "v1")
STRUCTURES: tuple[Structure, ...] = ("OMG_O19", "ORM_O01")
SETS = [order_set(decision, OrderContext("Patient/1", "Encounter/2")) for decision in EXAMPLES]

PATTERNS = re.compile(r"Value (HL7\d{4}|99NUQUE) not in table HL70396 .*|Value Q\d+H not in table HL70335 .*")
"""Values that the standard's tables describe by a pattern (``HL7nnnn``, ``99zzz``, ``Q<integer>H``), which hl7apy does not know."""

UNESCAPED = {"F": "|", "S": "^", "T": "&", "R": "~", "E": "\\"}


def parsed(message: str, tmp_path: Path) -> Message:
    """``message`` read by hl7apy, with no fault and no value that is not in its table."""
    found = parse_message(message, validation_level=VALIDATION_LEVEL.STRICT)
    report = tmp_path / "report"
    assert Validator.validate(found, structure_of(found.name, "Message"), str(report))
    assert [line for line in report.read_text().splitlines() if not PATTERNS.fullmatch(line.split(": ", 1)[1])] == []
    return found


def segments(message: str, name: str) -> list[list[str]]:
    return [line.split("|") for line in message.split("\r") if line.startswith(f"{name}|")]


def said(field: str) -> str:
    return re.sub(r"\\([FSTRE])\\", lambda found: UNESCAPED[found[1]], field)


@pytest.mark.parametrize("structure", STRUCTURES)
@pytest.mark.parametrize("resources", SETS)
def test_every_order_is_in_the_message_and_the_standard_is_kept(
    structure: Structure, resources: list[Resource], tmp_path: Path
) -> None:
    orders = [each for each in resources if each["resourceType"] == "ServiceRequest"]
    message = order_message(resources, HEADER, PATIENT, structure, "urn:uuid:set")
    read = parsed(message, tmp_path)
    assert read.name == structure
    assert read.to_er7() == message.rstrip("\r")
    assert [said(each[4].split("^")[1]) for each in segments(message, "OBR")] == [o["code"]["text"] for o in orders]
    control = segments(message, "ORC")
    assert [f"urn:uuid:{each[2].split('^')[0]}" for each in control] == [name_of(order) for order in orders]
    assert {(each[1], each[4], each[5]) for each in control} == {("NW", "set^NUQUE", "HD")}, "on hold, as one group"
    assert [each[3] for each in segments(message, "NTE")].count(PROPOSAL) == len(orders)


@pytest.mark.parametrize("resources", SETS)
def test_the_comments_are_every_line_of_the_orders(resources: list[Resource]) -> None:
    written = {said(each[3]) for each in segments(order_message(resources, HEADER, PATIENT), "NTE")}
    lines = {
        line.strip()
        for order in resources
        if order["resourceType"] == "ServiceRequest"
        for each in (*order.get("orderDetail", ()), *order.get("reasonCode", ()), *order.get("note", ()))
        for line in each["text"].splitlines()
        if line.strip()
    }
    assert lines
    assert lines <= written


def test_size_axes_people_and_times_are_coded(tmp_path: Path) -> None:
    resources = SETS[0]
    message = order_message(resources, HEADER, PATIENT)
    fit, device = resources[0], next(each for each in resources if each["resourceType"] == "DeviceRequest")
    observed = [(each[2], each[3].split("^")[0], each[5].split("^")[0]) for each in segments(message, "OBX")]
    assert observed[0] == ("CE", "size-class", fit["orderDetail"][0]["coding"][0]["code"])
    axes = [
        ("CE", each["code"]["coding"][0]["code"], each["valueCodeableConcept"]["coding"][0]["code"])
        for each in device["parameter"]
    ]
    assert len(axes) == 5
    assert observed[1:6] == axes
    assert observed[6] == ("NM", "people-needed", "2")
    timing = {each[11]: (each[3], each[7], each[8], each[9][:1]) for each in segments(message, "TQ1")}
    assert all(words for words in timing)
    hourly = {words: pattern for words, (pattern, *_) in timing.items() if words.startswith("every 24 hours")}
    assert set(hourly.values()) == {"Q24H"}
    older = parsed(order_message(resources, HEADER, PATIENT, "ORM_O01"), tmp_path).to_er7()
    assert [each[7].split("^")[7] for each in segments(older, "ORC")] == [each[11] for each in segments(message, "TQ1")]


@pytest.mark.parametrize("structure", STRUCTURES)
@pytest.mark.parametrize("text", ["a|b^c&d~e\\f", "\\E\\F\\", "\\.br\\", "50\xa0% – ≤ 3 mm, 頸", "x\x07y"])
def test_delimiters_and_other_alphabets_come_back_as_they_were(structure: Structure, text: str, tmp_path: Path) -> None:
    order = {**SETS[0][0], "code": {**SETS[0][0]["code"], "text": text}, "note": [{"text": f"{text}\n{text}"}]}
    message = order_message([order], HEADER, replace(PATIENT, family=text), structure)
    read = parsed(message.encode().decode(), tmp_path)
    assert read.msh.msh_18.to_er7() == "UNICODE UTF-8"
    shown = text.replace("\x07", " ")
    assert said(segments(message, "OBR")[0][4].split("^")[1]) == shown
    assert [said(each[3]) for each in segments(message, "NTE")][-2:] == [shown, shown]
    assert said(segments(message, "PID")[0][5].split("^")[0]) == shown


@pytest.mark.parametrize("structure", STRUCTURES)
def test_a_segment_out_of_its_place_is_caught(structure: Structure, tmp_path: Path) -> None:
    head, patient, *rest = order_message(SETS[0], HEADER, PATIENT, structure).split("\r")
    assert patient.startswith("PID|")
    with pytest.raises(HL7apyException):
        parsed("\r".join([head, *rest[:-1], patient]), tmp_path)


def test_who_sends_receives_and_is_treated() -> None:
    message = order_message(SETS[0], HEADER, PATIENT)
    (head,), (patient,), (visit,) = (segments(message, name) for name in ("MSH", "PID", "PV1"))
    assert head[2:7] == ["NUQUE", "Hollowmere", "ORDERS", "Hollowmere", "20260131100000+0000"]
    assert head[8:12] == ["OMG^O19^OMG_O19", "1", "T", "2.5.1"]
    assert (patient[3], patient[5], patient[7:9]) == ("4711^^^Hollowmere", "Ó Briain^Síle", ["19550203", "F"])
    assert visit[2:] == ["U", *[""] * 16, "v1"]


def test_a_patient_of_whom_only_the_number_is_known_is_named_as_unknown(tmp_path: Path) -> None:
    message = order_message(SETS[0], HEADER, identification({}, "Patient/12", None))
    parsed(message, tmp_path)
    assert segments(message, "PID")[0][3:] == ["12", "", "^^^^^^U"]
    assert segments(message, "PV1") == []


def test_the_identifier_and_name_in_use_are_taken() -> None:
    sent = {
        "identifier": [
            {"use": "old", "value": "1"},
            {"value": "2"},
            {"use": "usual", "value": "3", "assigner": {"display": "Hollowmere"}},
        ],
        "name": [{"use": "maiden", "family": "A"}, {"use": "official", "family": "B", "given": ["C", "D"]}],
    }
    found = identification(sent, "Patient/12", "Encounter/9")
    assert found == PatientIdentification("3", "Hollowmere", "B", "C D", visit="9")


def test_what_does_not_fit_is_said_and_no_message_is_written() -> None:
    with pytest.raises(OrderMessageError, match="orders nothing"):
        order_message([], HEADER, PATIENT)
    with pytest.raises(OrderMessageError, match=r"not a valid OMG_O19 message of HL7 2.5.1: .*length"):
        order_message(SETS[0], HEADER, replace(PATIENT, family="x" * 300))


@pytest.mark.parametrize(("form", "structure"), [("omg", "OMG_O19"), ("orm", "ORM_O01")])
def test_the_command_writes_the_message_of_each_invented_patient(form: str, structure: str, tmp_path: Path) -> None:
    for number, bundle in enumerate(sorted(DEMO.glob("0*.json"))[:4]):
        file = tmp_path / f"{number}.hl7"
        ran = CliRunner().invoke(main, ["orders", str(bundle), "--as", form, "-o", str(file)])
        assert ran.exit_code == 0, ran.output
        message = file.read_bytes().decode()
        assert parsed(message, tmp_path).name == structure
        (sent,) = (
            entry["resource"]
            for entry in json.loads(bundle.read_text())["entry"]
            if entry["resource"]["resourceType"] == "Patient"
        )
        assert said(segments(message, "PID")[0][5].split("^")[0]) == sent["name"][0]["family"]
    assert number == 3


def test_plain_facts_need_a_patient(tmp_path: Path) -> None:
    file = tmp_path / "facts.json"
    file.write_text('{"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}')
    ran = CliRunner().invoke(main, ["orders", str(file), "--as", "omg"])
    assert (ran.exit_code, "add --patient Patient/ID" in ran.output) == (2, True)
    ran = CliRunner().invoke(main, ["orders", str(file), "--as", "omg", "--patient", "Patient/7"])
    assert ran.exit_code == 0, ran.output
    assert b"PID|1||7||^^^^^^U\r" in ran.stdout_bytes
    assert ran.stdout_bytes.endswith(b"|F\r")
