"""The rule set as FHIR knowledge artefacts, each under its type and id: what ``nuque publish`` writes, over HTTP."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse

from cds.fhir.datatypes import Resource
from cds.fhir.operations.definitions import OPERATIONS
from cds.fhir.publishing.search import SearchNotUnderstood, capability_statement, searched
from cds.operation_outcome import Issue, RefusedCall
from cds.web.accept_headers import accepted
from cds.web.called_address import called_address
from cds.web.dependencies import CurrentService, Service
from cds.web.form_body import FORM_CONTENT, form_fields

_FHIR_JSON = "application/fhir+json"
_FORMATS = ("json", "application/json", _FHIR_JSON, "text/json")
"""How the format that is sent can be asked for (FHIR R4, RESTful API, 3.1.0.1.11)."""
_TAKE_ALL = ("*/*", "application/*")


def _in_json(request: Request) -> None:
    """Raises RefusedCall with 406 where neither ``_format`` nor ``Accept`` takes JSON."""
    named = request.query_params.get("_format")
    # In an address a plus that is not encoded comes as a space.
    header = named.replace(" ", "+") if named else ", ".join(request.headers.getlist("accept"))
    if header and not any(kind in (*_FORMATS, *_TAKE_ALL) for kind in accepted(header, with_parameters=True)):
        text = f"only JSON is sent here: Accept: {_FHIR_JSON}, or _format=json"
        raise RefusedCall(406, [Issue(None, text, "not-supported")])


router = APIRouter(
    prefix="/fhir",
    tags=["published content"],
    dependencies=[Depends(_in_json)],
    responses={406: {"description": "a format is asked for that is not JSON"}},
)


@router.get("/metadata", summary="What can be read and searched")
def metadata(request: Request, service: CurrentService) -> JSONResponse:
    """The CapabilityStatement: the published content, and the operations on it."""
    return JSONResponse(statement(service, _address(request)), media_type=_FHIR_JSON)


def statement(service: Service, address: str) -> Resource:
    """The CapabilityStatement of ``service``, whose FHIR routes stand under ``address``."""
    content = service.content
    offered = ((each.resource_type, each.name, each.definition) for each in OPERATIONS)
    return capability_statement(content.ruleset, content.artefacts, offered, address, service.clock())


_NOT_SEARCHED: dict[int | str, dict[str, Any]] = {
    400: {
        "description": "a modifier that is not supported; a `_count` that is not a number; strictly, what is not followed"
    },
    404: {"description": "nothing of the type"},
}


@router.get("/{resource_type}", summary="Published artefacts of a type", responses=_NOT_SEARCHED)
def search(resource_type: str, request: Request, service: CurrentService) -> JSONResponse:
    """Those that fit: by ``_id``, ``url``, ``version``, ``name``, ``title``, ``status``, page by page with ``_count``.

    ``_summary=count`` counts alone. Other parameters are passed over and stand in no link, or are refused where the call says
    ``Prefer: handling=strict``.
    """
    return _found(resource_type, request.query_params.multi_items(), request, service)


@router.post(
    "/{resource_type}/_search",
    summary="Published artefacts of a type, asked for in a form",
    responses=_NOT_SEARCHED,
    openapi_extra={"requestBody": {"content": FORM_CONTENT}},
)
async def search_by_form(resource_type: str, request: Request, service: CurrentService) -> JSONResponse:
    """The same, with the parameters in the body, in the address, or in both (FHIR R4, Search, 3.1.1.3)."""
    asked = [*request.query_params.multi_items(), *await form_fields(request)]
    return _found(resource_type, asked, request, service)


def _found(resource_type: str, asked: Sequence[tuple[str, str]], request: Request, service: Service) -> JSONResponse:
    published = service.content.artefacts
    kinds = sorted({kind for kind, _ in published})
    if resource_type not in kinds:
        text = f"nothing is published as {resource_type[:64]}; published are {', '.join(kinds)}"
        raise RefusedCall(404, [Issue(None, text, "not-found")])
    strict = "handling=strict" in request.headers.get("prefer", "")
    try:
        found = searched(published, resource_type, asked, _address(request), strict=strict)
    except SearchNotUnderstood as error:
        raise RefusedCall(400, [Issue(None, str(error), "not-supported")]) from error
    return JSONResponse(found, media_type=_FHIR_JSON)


@router.get(
    "/{resource_type}/{name}",
    summary="One published artefact",
    responses={404: {"description": "no such artefact"}},
)
def artefact(resource_type: str, name: str, service: CurrentService) -> JSONResponse:
    """A CodeSystem, ValueSet, Questionnaire, PlanDefinition or the like, drawn from the rule set in use."""
    found = service.content.artefacts.get((resource_type, name))
    if found is None:
        text = f"nothing is published as {resource_type[:64]}/{name[:100]}; `nuque publish` lists everything"
        raise RefusedCall(404, [Issue(None, text, "not-found")])
    return JSONResponse(found, media_type=_FHIR_JSON)


def _address(request: Request) -> str:
    return f"{called_address(request)}{router.prefix}"
