"""Refused calls as HTTP answers: handlers that turn each error into an OperationOutcome."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from cds.operation_outcome import Issue, RefusedCall, issues_of, outcome
from rules.errors import InvalidFact


def unusable(problems: Iterable[InvalidFact]) -> JSONResponse:
    """The answer to facts that cannot be used: 422 with the name, the value, what is wrong and what is accepted of each.

    ``problems`` has one for each such fact.
    """
    listed = [{"fact": p.fact, "value": p.value, "message": p.message, "accepted": p.accepted} for p in problems]
    return JSONResponse({"problems": listed}, 422)


async def answer_refused(request: Request, error: Exception) -> JSONResponse:
    """Handler for RefusedCall: ``error`` as an OperationOutcome with its own status, as an answer to ``request``."""
    assert isinstance(error, RefusedCall)
    return _as_outcome(request, error.issues, error.status, error.headers)


async def answer_http_error(request: Request, error: Exception) -> JSONResponse:
    """Handler for what the framework refuses itself: no such path, method not allowed.

    ``error`` becomes an OperationOutcome with its own status, as an answer to ``request``.
    """
    assert isinstance(error, HTTPException)
    codes = {404: "not-found", 405: "not-supported", 415: "not-supported"}
    issue = Issue(
        None, f"{request.method} {request.url.path}: {error.detail}", codes.get(error.status_code, "processing")
    )
    return _as_outcome(request, [issue], error.status_code, error.headers)


async def answer_wrong_shape(request: Request, error: Exception) -> JSONResponse:
    """Handler for a body or parameter of the wrong shape.

    ``error`` becomes an OperationOutcome, as an answer to ``request``: 400 for CDS Hooks calls, as that standard asks, and for
    FHIR operations, as for whatever else is wrong in their Parameters; otherwise 422.
    """
    assert isinstance(error, RequestValidationError)
    status = 400 if request.url.path.startswith(("/cds-services", "/fhir/")) else 422
    return _as_outcome(request, issues_of(error.errors()), status)


def _as_outcome(
    request: Request, issues: Iterable[Issue], status: int, headers: Mapping[str, str] | None = None
) -> JSONResponse:
    """An OperationOutcome; whoever speaks FHIR gets it under FHIR's own media type."""
    media_type = "application/fhir+json" if request.url.path.startswith("/fhir/") else "application/json"
    return JSONResponse(outcome(issues), status, headers, media_type)
