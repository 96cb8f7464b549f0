"""How a call is refused: the error, and its answer as a FHIR OperationOutcome that names each field.

Answers never repeat what was sent, except short tokens that carry no patient data (a hook's name, a malformed UUID).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from rules.errors import FactProblem


@dataclass(frozen=True)
class Issue:
    """One thing that is wrong: the field (as ``context.patientId``), what is wrong and what to do, a FHIR issue-type code."""

    field: str | None
    message: str
    code: str = "invalid"

    def as_fhir(self) -> dict[str, Any]:
        """The issue of an OperationOutcome (FHIR R4)."""
        where = {"expression": [self.field]} if self.field else {}
        text = f"{self.field}: {self.message}" if self.field else self.message
        return {"severity": "error", "code": self.code, "diagnostics": text, **where}


class RefusedCall(HTTPException):
    """The call cannot be answered. Carries the HTTP status and every problem found."""

    def __init__(self, status: int, issues: Iterable[Issue], headers: Mapping[str, str] | None = None) -> None:
        """Refuse with ``status`` and ``issues``."""
        self.issues = tuple(issues)
        text = "; ".join(issue.as_fhir()["diagnostics"] for issue in self.issues)
        super().__init__(status, text, dict(headers) if headers else None)


def outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    """``issues`` as an OperationOutcome."""
    return {"resourceType": "OperationOutcome", "issue": [issue.as_fhir() for issue in issues]}


def unusable(problems: Iterable[FactProblem]) -> JSONResponse:
    """The answer to facts that cannot be used: 422 with the name, the value, what is wrong and what is accepted of each."""
    listed = [{"fact": p.fact, "value": p.value, "message": p.message, "accepted": p.accepted} for p in problems]
    return JSONResponse({"problems": listed}, 422)


async def answer_refused(request: Request, error: Exception) -> JSONResponse:
    """Handler for RefusedCall."""
    assert isinstance(error, RefusedCall)
    return JSONResponse(outcome(error.issues), error.status_code, error.headers)


async def answer_http_error(request: Request, error: Exception) -> JSONResponse:
    """Handler for what the framework refuses itself: no such path, method not allowed."""
    assert isinstance(error, HTTPException)
    codes = {404: "not-found", 405: "not-supported", 415: "not-supported"}
    issue = Issue(
        None, f"{request.method} {request.url.path}: {error.detail}", codes.get(error.status_code, "processing")
    )
    return JSONResponse(outcome([issue]), error.status_code, error.headers)


async def answer_wrong_shape(request: Request, error: Exception) -> JSONResponse:
    """Handler for a body or parameter of the wrong shape: 400 for CDS Hooks calls, as that standard asks; otherwise 422."""
    assert isinstance(error, RequestValidationError)
    status = 400 if request.url.path.startswith("/cds-services") else 422
    return JSONResponse(outcome(issues_of(error.errors())), status)


def issues_of(problems: Iterable[Mapping[str, Any]]) -> list[Issue]:
    """Problems as pydantic reports them, as issues; the part ``body`` of a location is left out."""
    issues = []
    for problem in problems:
        code = "required" if problem["type"] == "missing" else "invalid"
        message = problem["msg"].removeprefix("Value error, ")
        field, message = field_name(problem["loc"]), message[:1].lower() + message[1:]
        issues.append(Issue(field, message if field else f"request body: {message}", code))
    return issues


def field_name(location: Iterable[str | int]) -> str | None:
    """A location as a path: ``("body", "entry", 3, "id")`` is ``entry[3].id``."""
    path = ""
    for part in location:
        if part == "body" and not path:
            continue
        path += f"[{part}]" if isinstance(part, int) else f".{part}" if path else str(part)
    return path or None
