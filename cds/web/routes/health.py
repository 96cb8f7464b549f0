"""Health: is the process alive, and can it answer."""

from __future__ import annotations

from typing import Any

from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter
from fastapi.responses import JSONResponse

from cds.web.dependencies import CurrentService

router = APIRouter(prefix="/health", tags=["health"])


_ITS_OWN_THREADS = CapacityLimiter(2)
"""Health waits for no thread that works on other calls: a busy service must not look like a dead one."""


@router.get("/live", summary="Is the process alive")
async def live() -> dict[str, str]:
    """Answer as long as the process can."""
    return {"status": "live"}


@router.get("/ready", summary="Can calls be answered", responses={503: {"description": "something is not ready"}})
async def ready(service: CurrentService) -> JSONResponse:
    """200 with the rule set in use where everything is ready; 503 that says what is not."""
    checks = {
        name: await to_thread.run_sync(check, limiter=_ITS_OWN_THREADS) for name, check in service.readiness.items()
    }
    failing = {name: problem for name, problem in checks.items() if problem is not None}
    ruleset = service.content.ruleset
    body: dict[str, Any] = {
        "status": "not ready" if failing else "ready",
        "ruleset": {"name": ruleset.name, "version": ruleset.version, "hash": ruleset.hash},
    }
    if failing:
        body["failing"] = failing
    return JSONResponse(body, 503 if failing else 200)
