"""Fit checks over HTTP: the questions as a FHIR Questionnaire, and what to correct as plain JSON."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import ValidationError

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.questionnaire import NAME
from cds.operation_outcome import RefusedCall, issues_of
from cds.site.fit_check_request import FitCheckRequest
from cds.web.dependencies import CurrentService
from cds.web.errors import unusable
from cds.web.strict_json_route import StrictJsonRoute
from rules.deciding.fit_check import advise
from rules.errors import FactError

router = APIRouter(route_class=StrictJsonRoute, tags=["fit checks"])


@router.post("/fit-checks", summary="Judge a fit", responses={422: {"description": "something cannot be used"}})
def fit_check(body: FitCheckRequest, service: CurrentService) -> JSONResponse:
    """What to correct: seat the same size again, try another, ask an orthotist, or stop and call.

    Where the site has a catalogue, only what it stocks is offered, unless the call brings a shelf of its own.
    What cannot be used gets 422 with its name, its value and what is accepted.
    """
    content = service.content
    try:
        check = body.check(content.ruleset, Canonicals(content.code_map.base), content.catalogue)
        advice = advise(content.decider, check, body.at or service.clock())
    except FactError as error:
        return unusable(error.problems)
    except ValidationError as error:
        raise RefusedCall(422, issues_of(error.errors(include_url=False))) from error
    return JSONResponse(advice.as_json())


@router.get(f"/Questionnaire/{NAME}", summary="The questions of a fit check, FHIR R4")
def questions(service: CurrentService) -> JSONResponse:
    """The Questionnaire; a QuestionnaireResponse to it can be sent to `POST /fit-checks`."""
    return JSONResponse(service.content.artefacts["Questionnaire", NAME], media_type="application/fhir+json")
