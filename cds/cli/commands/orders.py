"""``nuque orders FILE``: the orders of one patient for a record system, as FHIR or as an HL7 Version 2 message."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import click

from cds.cli.invocation.input_files import read_input
from cds.cli.invocation.options import codes_of, knowledge_options, load_knowledge, moment_option
from cds.fhir.datatypes import Resource
from cds.fhir.reading.bundle_index import inventory, names_of, refers_to
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import as_bundle, order_set
from cds.strict_json import parse
from rules.deciding.decider import Decider

if TYPE_CHECKING:
    from cds.hl7v2.order_message import MessageHeader, Structure

_STRUCTURES: dict[str, Structure] = {"omg": "OMG_O19", "orm": "ORM_O01"}


@click.command(short_help="Write a patient's orders, to be authorised.")
@click.argument("file", type=click.Path(exists=True, dir_okay=False, allow_dash=True))
@click.option(
    "--as",
    "form",
    type=click.Choice(["fhir", "omg", "orm"]),
    default="fhir",
    show_default=True,
    help="FHIR Bundle with a RequestGroup, or an HL7 v2.5.1 message OMG^O19 or ORM^O01 (needs the extra hl7v2).",
)
@click.option("--patient", help="Patient/ID, where FILE holds plain facts.")
@click.option("--from-facility", default="", help="Sending facility (MSH-4).")
@click.option("--to-application", default="", help="Receiving application (MSH-5).")
@click.option("--to-facility", default="", help="Receiving facility (MSH-6).")
@click.option("--test", is_flag=True, help="Mark the message as a test (MSH-11: T).")
@moment_option
@click.option("--code-map", type=click.Path(exists=True, dir_okay=False, path_type=Path), help="The site's code map.")
@click.option("--output", "-o", type=click.Path(dir_okay=False, path_type=Path), help="File; default: standard output.")
@knowledge_options
def orders(
    file: str,
    form: str,
    patient: str | None,
    from_facility: str,
    to_application: str,
    to_facility: str,
    test: bool,
    at: datetime | None,
    code_map: Path | None,
    output: Path | None,
    knowledge: str | None,
    overlay: tuple[str, ...],
) -> None:
    """Write the orders for the patient in FILE (as for `nuque decide`), for a clinician to authorise. Nothing is sent."""
    ruleset = load_knowledge(knowledge, overlay)
    with click.open_file(file, "rb") as opened:
        content = opened.read()
    given = read_input(content, file, ruleset, codes_of(ruleset, code_map), at, now=datetime.now(UTC))
    decision = Decider(ruleset).decide(given.facts, given.at, given.not_used)
    context = _context(patient or given.patient, given.encounter)
    resources = order_set(decision, context)
    if form == "fhir":
        _write(json.dumps(as_bundle(resources), indent=2, ensure_ascii=False) + "\n", output)
        return
    from cds.hl7v2.order_message import MessageHeader

    header = MessageHeader(uuid4().hex[:20], given.at, "NUQUE", from_facility, to_application, to_facility, test)
    _write(_message(resources, header, form, context, _sent_patient(content, context.patient)), output)


def _context(patient: str | None, encounter: str | None) -> OrderContext:
    if patient is None:
        raise click.UsageError("whose orders? Plain facts name no patient: add --patient Patient/ID")
    try:
        return OrderContext(patient, encounter)
    except ValueError as error:
        raise click.UsageError(str(error)) from error


def _sent_patient(content: bytes, reference: str) -> Mapping[str, Any]:
    """The Patient resource of ``reference`` in ``content``; empty where there is none."""
    sent = parse(content)
    if not isinstance(sent, list) and not (isinstance(sent, dict) and ("resourceType" in sent or "hook" in sent)):
        return {}
    own = (each for each in inventory(sent).of("Patient") if refers_to(reference, names_of(each)))
    return next((each.resource for each in own), {})


def _message(
    resources: list[Resource],
    header: MessageHeader,
    form: str,
    context: OrderContext,
    patient: Mapping[str, Any],
) -> str:
    from cds.hl7v2.order_message import order_message
    from cds.hl7v2.patient_identification import identification

    group = next((name_of(each) for each in resources if each["resourceType"] == "RequestGroup"), "")
    who = identification(patient, context.patient, context.encounter)
    return order_message(resources, header, who, _STRUCTURES[form], group)


def _write(content: str, output: Path | None) -> None:
    """As bytes: segments of a message end with a carriage return, which text streams would turn."""
    if output is None:
        click.echo(content.encode(), nl=False)
    else:
        output.write_bytes(content.encode())
        click.echo(f"written to {output}; every order waits for a clinician", err=True)
