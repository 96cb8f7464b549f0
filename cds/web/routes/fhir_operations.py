"""FHIR operations over HTTP: the decision for whoever speaks FHIR and not CDS Hooks. Nothing of a call is kept or looked up."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Request
from fastapi.responses import JSONResponse

from cds.fhir.datatypes import Resource
from cds.fhir.operations.applied_plan import applied_plan
from cds.fhir.operations.definitions import APPLY, Operation
from cds.fhir.operations.parameters import Given, read_parameters
from cds.fhir.operations.patient_call import PatientCall, artefact_meant
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


def _applied(body: dict[str, Any], name: str | None, request: Request, service: Service) -> JSONResponse:
    given = _given(body, APPLY, name, service)
    call = PatientCall.of(given, service.clock())
    reading, decision = _decided(call, APPLY, request, service)
    orders = call.orders(reading, service.content.code_map.base)
    return _sent(applied_plan(decision, orders, deceased=reading.deceased))


def _given(body: dict[str, Any], operation: Operation, name: str | None, service: Service) -> Given:
    given = read_parameters(body, operation.takes)
    artefact_meant(service.content.artefacts, operation, given, name)
    return given


def _decided(call: PatientCall, operation: Operation, request: Request, service: Service) -> tuple[Reading, Decision]:
    content, call_progress = service.content, progress()
    if call.subject is not None:
        service.watch.about(request, call.subject.rsplit("/", 1)[-1])
    reading = call.read(content.ruleset, content.code_map)
    call_progress.check()
    decision = content.decider.decide(reading.facts, call.at, reading.not_used)
    call_progress.begin_writing()
    service.watch.decided(operation.name, decision)
    return reading, decision


def _sent(resource: Resource) -> JSONResponse:
    validate(resource)
    return JSONResponse(resource, media_type="application/fhir+json")
