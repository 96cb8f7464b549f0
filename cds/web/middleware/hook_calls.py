"""Hooks are answered here, before the framework looks for a route: that takes it longer than the answer to most calls."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi.routing import APIRoute
from pydantic import BaseModel, ValidationError
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cds.operation_outcome import RefusedCall
from cds.web.dependencies import of_call
from cds.web.errors import answer_refused
from cds.web.strict_json_route import StrictJsonRequest


class HookCalls:
    """ASGI middleware for routes whose endpoint takes the request, its body (a pydantic model) and the service, and nothing else.

    What a model refuses is left to the framework, which says what is wrong in the words of every other route.
    """

    def __init__(self, app: ASGIApp, routes: Iterable[APIRoute]) -> None:
        """Answer ``routes``; ``app`` answers all else."""
        self._app = app
        self._routes = {route.path: route for route in routes}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        is_post = scope["type"] == "http" and scope["method"] == "POST"
        route = self._routes.get(scope["path"]) if is_post else None
        if route is None:
            await self._app(scope, receive, send)
            return
        scope["route"] = route
        request = StrictJsonRequest(scope, receive)
        try:
            async with request.read_strictly():
                body = _accepted(route, await request.json())
                response = None if body is None else await route.endpoint(request, body, of_call(request))
        except RefusedCall as refused:
            response = await answer_refused(request, refused)
        if response is not None:
            await response(scope, receive, send)
            return
        whole = await request.body()

        async def again() -> Message:
            return {"type": "http.request", "body": whole, "more_body": False}

        await self._app(scope, again, send)


def _accepted(route: APIRoute, value: Any) -> BaseModel | None:
    model: type[BaseModel] = route.endpoint.__annotations__["body"]
    try:
        return model.model_validate(value)
    except ValidationError:
        return None
