"""Routes whose JSON bodies are read strictly."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager, nullcontext
from typing import Any

from anyio import CapacityLimiter
from fastapi import Request, Response
from fastapi.routing import APIRoute

from cds.operation_outcome import Issue, RefusedCall
from cds.security.caller import current_caller
from cds.strict_json import MOST_RESOURCES, SMALL_BYTES, JsonProblem, parse_aside

_MOST_LONG_BODIES = 4
"""Calls of one client with a long body that are worked on at the same time. Read, a body takes eight times its room: its others
wait unread. What they wait for, such as a slow server of that client, keeps no other client's calls waiting."""
_places: defaultdict[str, CapacityLimiter] = defaultdict(lambda: CapacityLimiter(_MOST_LONG_BODIES))
"""By ``iss``, of which there are few."""


class StrictJsonRequest(Request):
    """A request whose ``json()`` gives what was read strictly."""

    @asynccontextmanager
    async def read_strictly(self) -> AsyncIterator[None]:
        """The body is read for the block, which holds its place among long bodies. Raises RefusedCall with 400 or 415.

        Called before the framework asks for the JSON: it would answer every error in there with words of its own.
        """
        content_type = self.headers.get("content-type", "").split(";")[0].strip().lower()
        if content_type not in ("application/json", "application/fhir+json"):
            message = "the body must be JSON: send the header Content-Type: application/json"
            raise RefusedCall(415, [Issue(None, message, "not-supported")])
        body = await self.body()
        async with _places[current_caller.get().issuer] if len(body) > SMALL_BYTES else nullcontext():
            try:
                self._json = await parse_aside(body, most_resources=MOST_RESOURCES)
            except JsonProblem as error:
                raise RefusedCall(400, [Issue(None, f"request body: {error}", "structure")]) from error
            yield


class StrictJsonRoute(APIRoute):
    """A route that takes JSON only, read strictly."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler, given a StrictJsonRequest."""
        handle = super().get_route_handler()
        takes_body = self.body_field is not None

        async def strict(request: Request) -> Response:
            read = StrictJsonRequest(request.scope, request.receive)
            async with read.read_strictly() if takes_body else nullcontext():
                return await handle(read)

        return strict
