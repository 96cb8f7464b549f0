"""Health: is the process alive, and can it answer."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse

from cds.web.dependencies import CurrentService

router = APIRouter(prefix="/health", tags=["health"])


@router.get("/live", summary="Is the process alive")
def live() -> dict[str, str]:
    """Answer as long as the process can."""
    return {"status": "live"}


@router.get("/ready", summary="Can calls be answered", responses={503: {"description": "something is not ready"}})
def ready(service: CurrentService) -> JSONResponse:
    """200 with the rule set in use where everything is ready; 503 that says what is not."""
    checks = {name: check() for name, check in service.readiness.items()}
    failing = {name: problem for name, problem in checks.items() if problem is not None}
    ruleset = service.content.ruleset
    body: dict[str, Any] = {
        "status": "not ready" if failing else "ready",
        "ruleset": {"name": ruleset.name, "version": ruleset.version, "hash": ruleset.hash},
    }
    if failing:
        body["failing"] = failing
    return JSONResponse(body, 503 if failing else 200)
