"""FHIR operations over HTTP: the decision for whoever speaks FHIR and not CDS Hooks. Nothing of a call is kept or looked up."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Request
from fastapi.responses import JSONResponse

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Resource
from cds.fhir.operations.applied_plan import applied_plan
from cds.fhir.operations.definitions import APPLY, EVALUATE, POPULATE, Operation
from cds.fhir.operations.evaluated_library import evaluated_library
from cds.fhir.operations.parameters import Given, read_parameters
from cds.fhir.operations.patient_call import PatientCall, artefact_meant
from cds.fhir.operations.populated_questionnaire import populated
from cds.fhir.reading.reader import Reading
from cds.fhir.validation import validate
from cds.protocol.call_progress import progress
from cds.web.dependencies import CurrentService, Service
from cds.web.strict_json_route import StrictJsonRoute
from rules.model.decision import Decision

router = APIRouter(
    prefix="/fhir",
    tags=["FHIR operations"],
    route_class=StrictJsonRoute,
    responses={
        400: {"description": "the Parameters are wrong; an OperationOutcome names each"},
        404: {"description": "nothing of that name is published"},
        422: {"description": "what was sent cannot be used; an OperationOutcome says why"},
    },
)

Parameters = Annotated[dict[str, Any], Body(description="a FHIR R4 Parameters resource")]


@router.post("/PlanDefinition/$apply", summary="The care plan for a patient, plan named in the body")
def apply_named(body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """The draft CarePlan for one patient by the PlanDefinition that ``url`` or ``planDefinition`` names."""
    return _applied(body, None, request, service)


@router.post("/PlanDefinition/{name}/$apply", summary="The care plan for a patient")
def apply(name: str, body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """The draft CarePlan for ``subject`` by the records in ``data``; its orders and RequestGroup are contained."""
    return _applied(body, name, request, service)


@router.post("/Library/$evaluate", summary="What the rules say of a patient, library named in the body")
def evaluate_named(body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """The definitions of the Library that ``url`` or ``library`` names, for one patient."""
    return _evaluated(body, None, request, service)


@router.post("/Library/{name}/$evaluate", summary="What the rules say of a patient")
def evaluate(name: str, body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """Each public definition of the Library by the records in ``data``; only those of ``expression`` where it is given."""
    return _evaluated(body, name, request, service)


@router.post("/Questionnaire/$populate", summary="What the records answer, questionnaire named in the body")
def populate_named(body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """A response to the Questionnaire that ``canonical``, ``questionnaire`` or ``questionnaireRef`` names."""
    return _populated(body, None, request, service)


@router.post("/Questionnaire/{name}/$populate", summary="What the records answer")
def populate(name: str, body: Parameters, request: Request, service: CurrentService) -> JSONResponse:
    """A response with the answers that the records hold, each with its source; what is not known has none."""
    return _populated(body, name, request, service)


def _applied(body: dict[str, Any], name: str | None, request: Request, service: Service) -> JSONResponse:
    given, _ = _given(body, APPLY, name, service)
    call = PatientCall.of(given, service.clock())
    reading, decision = _decided(call, APPLY, request, service)
    orders = call.orders(reading, service.content.code_map.base)
    return _sent(applied_plan(decision, orders, deceased=reading.deceased))


def _evaluated(body: dict[str, Any], name: str | None, request: Request, service: Service) -> JSONResponse:
    given, _ = _given(body, EVALUATE, name, service)
    _, decision = _decided(PatientCall.of(given, service.clock()), EVALUATE, request, service)
    return _sent(evaluated_library(decision, service.content.ruleset, given.get("expression", ())))


def _populated(body: dict[str, Any], name: str | None, request: Request, service: Service) -> JSONResponse:
    content = service.content
    given, questionnaire = _given(body, POPULATE, name, service)
    call = PatientCall.of(given, service.clock())
    reading = _read(call, request, service)
    return _sent(populated(questionnaire, call, reading, content.ruleset, Canonicals(content.code_map.base)))


def _given(body: dict[str, Any], operation: Operation, name: str | None, service: Service) -> tuple[Given, Resource]:
    """What the call gives, and the artefact that it means."""
    given = read_parameters(body, operation.takes)
    return given, artefact_meant(service.content.artefacts, operation, given, name)


def _read(call: PatientCall, request: Request, service: Service) -> Reading:
    if call.subject is not None:
        service.watch.about(request, call.subject.rsplit("/", 1)[-1])
    return call.read(service.content.ruleset, service.content.code_map, service.settings.zone)


def _decided(call: PatientCall, operation: Operation, request: Request, service: Service) -> tuple[Reading, Decision]:
    reading, call_progress = _read(call, request, service), progress()
    call_progress.check()
    decision = service.content.decider.decide(reading.facts, call.at, reading.not_used)
    call_progress.begin_writing()
    service.watch.decided(operation.name, decision)
    return reading, decision


def _sent(resource: Resource) -> JSONResponse:
    validate(resource)
    return JSONResponse(resource, media_type="application/fhir+json")
