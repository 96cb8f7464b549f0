"""The routes of CDS Hooks: discovery, one route a service, and feedback (HL7 CDS Hooks 2.0)."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from datetime import datetime, timedelta
from typing import Any

import orjson
from anyio import CapacityLimiter, to_thread
from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from fastapi.routing import APIRoute

from cds.hooks.engine.service import HookService
from cds.hooks.engine.silent_mode import answer_silently
from cds.hooks.services import SERVICES
from cds.operation_outcome import Issue, RefusedCall
from cds.protocol.call_progress import progress
from cds.protocol.feedback import Feedback, NotKept
from cds.protocol.prefetch import gather
from cds.protocol.request import HookRequest
from cds.protocol.response import HookResponse
from cds.web.dependencies import CurrentService
from cds.web.strict_json_route import StrictJsonRoute

discovery = APIRouter(prefix="/cds-services", tags=["CDS Hooks"])
calls = APIRouter(prefix="/cds-services", tags=["CDS Hooks"], route_class=StrictJsonRoute)

_DECIDING = CapacityLimiter(2)
"""Calls that decide at the same time. More would only take the processor from each other, and each thread keeps memory of its
own; one alone would let all others wait with it for the store."""

_REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"description": "the request is wrong; an OperationOutcome names each field"},
    412: {"description": "needed data could not be had; an OperationOutcome names each prefetch key"},
}


@discovery.get("", summary="Discovery")
def services(service: CurrentService) -> JSONResponse:
    """All services, with the prefetch that each asks for."""
    return JSONResponse({"services": [hook.described(service.content) for hook in SERVICES]})


def _sent(answered: HookResponse) -> Response:
    return Response(orjson.dumps(answered.as_json()), media_type="application/json")


def _answering(hook: HookService) -> Callable[..., Coroutine[Any, Any, Response]]:
    async def answer(request: Request, body: HookRequest, service: CurrentService) -> Response:
        content, watch = service.content, service.watch
        watch.about(request, body.context.patientId)
        if not hook.concerns(body, content):
            return _sent(hook.unconcerned(body, content))
        with watch.metrics.stage("fetch"):
            gathered = await gather(body, content.queries, service.fetcher)

        def decided() -> Response:
            with watch.metrics.stage("decide"):
                call = (body, gathered, content, service.settings, service.clock())
                if service.silent is not None:
                    shown = answer_silently(hook, *call, service.silent, watch.decided, service.links)
                else:
                    shown = hook.answer(*call, service.memory, watch.decided, service.links)
                return _sent(shown)

        # Deciding takes the processor for some milliseconds; other calls go on meanwhile.
        return await to_thread.run_sync(decided, limiter=_DECIDING)

    # The route's body is the request of this hook, so that the framework checks and documents it.
    answer.__annotations__["body"] = hook.request
    return answer


for _hook in SERVICES:
    calls.add_api_route(
        f"/{_hook.id}",
        _answering(_hook),
        methods=["POST"],
        summary=_hook.title,
        description=_hook.description,
        operation_id=_hook.id,
        responses=_REFUSALS,
    )


_WRONG_CLOCK = timedelta(days=1)
"""By how much the clock of a client may be ahead."""

HOOK_ROUTES = tuple(route for route in calls.routes if isinstance(route, APIRoute))
"""The routes of the services."""


@calls.post(
    "/{service_id}/feedback",
    summary="Feedback on cards",
    responses={
        400: _REFUSALS[400],
        404: {"description": "no service of this id"},
        503: {"description": "not kept, or not now; send it again"},
    },
)
def feedback(service_id: str, body: Feedback, service: CurrentService) -> JSONResponse:
    """What clinicians did with cards. Answered with 200 only when it is kept for good; otherwise 503, to be sent again."""
    if service_id not in {hook.id for hook in SERVICES}:
        raise _unknown(service_id)
    now = service.clock()
    _not_in_the_future(body, now)
    progress().begin_writing()
    try:
        service.feedback.keep(service_id, body.feedback, now)
    except NotKept as error:
        raise RefusedCall(503, [Issue(None, str(error), "transient")], {"Retry-After": "60"}) from error
    service.watch.fed_back(service_id, body.feedback)
    return JSONResponse({})


def _not_in_the_future(body: Feedback, now: datetime) -> None:
    """Refuse what was done later than a clock that is wrong could say: CDS Hooks has the time when it was done there."""
    latest = now + _WRONG_CLOCK
    issues = [
        Issue(f"feedback[{number}].outcomeTimestamp", "lies in the future; send when the card was answered")
        for number, item in enumerate(body.feedback)
        if item.outcomeTimestamp > latest
    ]
    if issues:
        raise RefusedCall(400, issues)


@calls.post("/{service_id}", summary="No other service", include_in_schema=False)
def unknown(service_id: str) -> JSONResponse:
    """Refuse with 404 and the ids that there are."""
    raise _unknown(service_id)


def _unknown(service_id: str) -> RefusedCall:
    known = ", ".join(hook.id for hook in SERVICES)
    return RefusedCall(404, [Issue(None, f"no service is called {service_id[:100]!r}; there are {known}", "not-found")])
