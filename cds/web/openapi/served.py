"""Where the document is served. It and its examples are not even loaded before somebody asks for it."""

from __future__ import annotations

import orjson
from fastapi import APIRouter, Request, Response

from cds.web.dependencies import CurrentService

ADDRESS = "/openapi.json"

router = APIRouter(include_in_schema=False)


@router.get(ADDRESS)
def openapi(request: Request, service: CurrentService) -> Response:
    """The document; made once for the content in use."""
    from cds.web.openapi.document import published

    state = request.app.state
    made: tuple[str, bytes] | None = getattr(state, "openapi", None)
    if made is None or made[0] != service.content.stamp:
        made = (service.content.stamp, orjson.dumps(published(request.app, service)))
        state.openapi = made
    return Response(made[1], media_type="application/json")
