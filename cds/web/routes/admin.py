"""Routes for whoever runs the service: metrics, and the reload of the knowledge."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST

from cds.operation_outcome import Issue, RefusedCall
from cds.web.content_reload import Reloader, ReloadRefused
from cds.web.dependencies import CurrentService

metrics_router = APIRouter(tags=["running"])
admin_router = APIRouter(prefix="/admin", tags=["running"])


@metrics_router.get("/metrics", summary="Metrics for Prometheus", response_class=Response)
def metrics(service: CurrentService) -> Response:
    """All metrics as text."""
    return Response(service.watch.metrics.text(), media_type=CONTENT_TYPE_LATEST)


def _reloader(request: Request) -> Reloader:
    reloader = request.app.state.reloader
    assert isinstance(reloader, Reloader)
    return reloader


@admin_router.post(
    "/reload", summary="Read the knowledge again", responses={409: {"description": "refused; the old stays"}}
)
def reload(reloader: Annotated[Reloader, Depends(_reloader)]) -> JSONResponse:
    """Check the knowledge folder and use it; a broken one is refused with the reasons and the old one stays in use."""
    try:
        done = reloader.reload()
    except ReloadRefused as refused:
        raise RefusedCall(409, [Issue(None, reason, "business-rule") for reason in refused.reasons]) from refused
    return JSONResponse(
        {"before": done.before, "after": done.after, "cases": done.cases, "remarks": list(done.remarks)}
    )
