"""The rule set as FHIR knowledge artefacts, each under its type and id: what ``nuque publish`` writes, over HTTP."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse

from cds.fhir.datatypes import Resource
from cds.fhir.operations.definitions import OPERATIONS
from cds.fhir.publishing.search import SearchNotUnderstood, capability_statement, searched
from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import CurrentService, Service

router = APIRouter(prefix="/fhir", tags=["published content"])

_FHIR_JSON = "application/fhir+json"


@router.get("/metadata", summary="What can be read and searched")
def metadata(request: Request, service: CurrentService) -> JSONResponse:
    """The CapabilityStatement: the published content, and the operations on it."""
    return JSONResponse(statement(service, _address(request)), media_type=_FHIR_JSON)


def statement(service: Service, address: str) -> Resource:
    """The CapabilityStatement of ``service``, whose FHIR routes stand under ``address``."""
    content = service.content
    offered = ((each.resource_type, each.name, each.definition) for each in OPERATIONS)
    return capability_statement(content.ruleset, content.artefacts, offered, address, service.clock())


@router.get(
    "/{resource_type}",
    summary="Published artefacts of a type",
    responses={
        400: {"description": "a modifier that is not supported; a `_count` that is no number"},
        404: {"description": "nothing of the type"},
    },
)
def search(resource_type: str, request: Request, service: CurrentService) -> JSONResponse:
    """Those that fit: by ``_id``, ``url``, ``version``, ``name``, ``title``, ``status``, page by page with ``_count``.

    Other parameters are passed over, or refused where the call says ``Prefer: handling=strict``.
    """
    published = service.content.artefacts
    kinds = sorted({kind for kind, _ in published})
    if resource_type not in kinds:
        text = f"nothing is published as {resource_type[:64]}; published are {', '.join(kinds)}"
        raise RefusedCall(404, [Issue(None, text, "not-found")])
    asked, strict = request.query_params.multi_items(), "handling=strict" in request.headers.get("prefer", "")
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
    return f"{str(request.base_url).rstrip('/')}{router.prefix}"
