"""The rule set as FHIR knowledge artefacts, each under its type and id: what ``nuque publish`` writes, over HTTP."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import CurrentService

router = APIRouter(prefix="/fhir", tags=["published content"])


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
    return JSONResponse(found, media_type="application/fhir+json")
