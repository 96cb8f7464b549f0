"""Routes whose JSON bodies are read strictly."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from contextlib import nullcontext
from typing import Any

from anyio import CapacityLimiter
from fastapi import Request, Response
from fastapi.routing import APIRoute

from cds.operation_outcome import Issue, RefusedCall
from cds.strict_json import MOST_RESOURCES, SMALL_BYTES, JsonProblem, parse_aside

_LONG_BODIES = CapacityLimiter(4)
"""Calls with a long body that are worked on at the same time. Read, a body takes eight times its room: the others wait unread."""


class StrictJsonRequest(Request):
    """A request whose ``json()`` gives what was read strictly."""

    async def read(self) -> None:
        """Read the body. Raises RefusedCall with 400.

        Called before the framework asks for the JSON: it would answer every error in there with words of its own.
        """
        try:
            self._json = await parse_aside(await self.body(), most_resources=MOST_RESOURCES)
        except JsonProblem as error:
            raise RefusedCall(400, [Issue(None, f"request body: {error}", "structure")]) from error


Handler = Callable[[Request], Coroutine[Any, Any, Response]]


class StrictJsonRoute(APIRoute):
    """A route that takes JSON only, read strictly."""

    def get_route_handler(self) -> Handler:
        """The handler, given a StrictJsonRequest."""
        handle = self.handler_of_read()
        takes_body = self.body_field is not None

        async def strict(request: Request) -> Response:
            read = StrictJsonRequest(request.scope, request.receive)
            if takes_body:
                content_type = request.headers.get("content-type", "").split(";")[0].strip().lower()
                if content_type not in ("application/json", "application/fhir+json"):
                    message = "the body must be JSON: send the header Content-Type: application/json"
                    raise RefusedCall(415, [Issue(None, message, "not-supported")])
                turn = _LONG_BODIES if len(await read.body()) > SMALL_BYTES else nullcontext()
                async with turn:
                    await read.read()
                    return await handle(read)
            return await handle(read)

        return strict

    def handler_of_read(self) -> Handler:
        """What handles a request once its body is read: the framework."""
        return super().get_route_handler()
