"""SMART App Launch: out of the chart, or standalone, to the bedside page with the patient's facts as the EHR has them."""

from __future__ import annotations

import hmac
from datetime import timedelta
from uuid import uuid4

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse
from pydantic import ValidationError

from cds.fhir.reading.dates import by_the_clock
from cds.fhir.reading.reader import read
from cds.fhir_client.smart_launch import Granted, LaunchFailed, SmartLauncher
from cds.hooks.cards.linked_decision import LinkedDecision
from cds.hooks.cards.links import BEDSIDE, FRAGMENT
from cds.operation_outcome import RefusedCall
from cds.protocol.prefetch import gather
from cds.protocol.request import PatientViewRequest
from cds.security.caller import HttpCall
from cds.security.smart_session import LAUNCH, LAUNCH_MINUTES, SESSION, PendingLaunch, Session, SmartSessions
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.error_pages import shut_out

_NOBODY = "Practitioner/unknown"
"""The user is not asked for: nothing is written in anybody's name."""


def smart_router(launcher: SmartLauncher, sessions: SmartSessions) -> APIRouter:
    """The two routes of a launch: ``launcher`` speaks with the EHR, ``sessions`` keeps who launched."""
    router = APIRouter(include_in_schema=False)

    @router.get("/launch")
    async def launch(request: Request, service: CurrentService, iss: str = "", launch: str | None = None) -> Response:
        """Begin: by the EHR with ``iss`` and ``launch``, or by anybody with ``iss`` alone."""
        try:
            begun = await launcher.begin(iss, launch, _redirect_uri(service))
        except LaunchFailed as failed:
            return shut_out(request, 403, [str(failed)])
        expires = sessions.lasting(timedelta(minutes=LAUNCH_MINUTES))
        pending = PendingLaunch(iss=iss, state=begun.state, verifier=begun.verifier, expires=expires)
        answer = RedirectResponse(begun.address, 303)
        _set(answer, service, LAUNCH, sessions.sealed(pending), LAUNCH_MINUTES * 60)
        return answer

    @router.get("/launch/callback")
    async def callback(request: Request, service: CurrentService, state: str = "", code: str = "") -> Response:
        """Return from the EHR: read the record once, and go on to the bedside page."""
        pending = sessions.pending(HttpCall("/launch/callback", {"cookie": request.headers.getlist("cookie")}))
        if pending is None or not hmac.compare_digest(pending.state.encode(), state.encode()):
            return shut_out(
                request,
                403,
                ["This sign-in was not begun in this browser, or it took too long; open Nuque from the chart again."],
            )
        if not code:
            return shut_out(request, 403, ["The EHR granted no access; open Nuque from the chart again."])
        try:
            granted = await launcher.finish(pending.iss, code, pending.verifier, _redirect_uri(service))
            sealed = await _decided(service, pending.iss, granted)
        except LaunchFailed as failed:
            return shut_out(request, 403, [str(failed)])
        session = Session(
            iss=pending.iss, patient=granted.patient, expires=sessions.lasting(timedelta(seconds=granted.seconds))
        )
        answer = RedirectResponse(f"{BEDSIDE}#{FRAGMENT}{sealed}", 303)
        _set(answer, service, SESSION, sessions.sealed(session), granted.seconds)
        answer.delete_cookie(LAUNCH)
        return answer

    return router


async def _decided(service: Service, iss: str, granted: Granted) -> str:
    """The decision for what the EHR has of the patient, sealed. Raises LaunchFailed where the record cannot be read."""
    content, at = service.content, service.clock()
    try:
        gathered = await gather(_as_request(iss, granted), content.queries, service.fetcher)
    except (RefusedCall, ValidationError) as error:
        raise LaunchFailed(
            "The patient's record could not be read from the EHR; open Nuque from the chart again."
        ) from error
    records = {"context": {"patientId": granted.patient, "encounterId": granted.encounter}, "fhirServer": iss}
    sent, clock = {**records, "prefetch": dict(gathered.prefetch)}, by_the_clock(at, service.settings.zone)
    reading = read(sent, content.ruleset, content.code_map, clock)
    decision = content.decider.decide(reading.facts, at, [*reading.not_used, *gathered.not_had])
    return LinkedDecision.of(decision, granted.patient).sealed(service.links, at)


def _as_request(iss: str, granted: Granted) -> PatientViewRequest:
    """The launch as the call of a hook would bring it, so that the record is read the same way."""
    authorization = {
        "access_token": granted.access_token,
        "token_type": "Bearer",
        "expires_in": granted.seconds,
        "scope": granted.scope,
        "subject": "nuque",
    }
    context = {"userId": _NOBODY, "patientId": granted.patient, "encounterId": granted.encounter}
    return PatientViewRequest.model_validate(
        {
            "hook": "patient-view",
            "hookInstance": str(uuid4()),
            "context": context,
            "fhirServer": iss,
            "fhirAuthorization": authorization,
        }
    )


def _redirect_uri(service: Service) -> str:
    return f"{service.settings.address}/launch/callback"


def _set(answer: Response, service: Service, name: str, value: str, seconds: int) -> None:
    secure = (service.settings.address or "").startswith("https://")
    # Lax: the way back from the EHR begins on its site. Posts come from our own pages only.
    answer.set_cookie(name, value, max_age=seconds, httponly=True, secure=secure, samesite="lax")
