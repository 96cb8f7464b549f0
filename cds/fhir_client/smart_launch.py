"""SMART App Launch 2 as a public client: authorisation code with PKCE, scopes for reading only, with Authlib.

https://hl7.org/fhir/smart-app-launch/app-launch.html. Called are only servers that the site listed, each at an address that
was checked; the access token is used at once and kept nowhere.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import httpx

from cds.observability.logging import log
from cds.security.ssrf_guard import (
    AnswerTooLong,
    Origin,
    PinnedTransport,
    ReachError,
    listed_networks,
    listed_origins,
    read_bounded,
)
from cds.settings import ReachSettings
from rules.errors import NuqueError

_RESOURCES = (
    "Observation",
    "Condition",
    "Procedure",
    "Device",
    "DeviceUseStatement",
    "QuestionnaireResponse",
    "ServiceRequest",
    "DeviceRequest",
    "CarePlan",
)
READING = " ".join(["patient/Patient.r", "patient/Encounter.r", *(f"patient/{resource}.rs" for resource in _RESOURCES)])
"""Scopes of version 2: read and search what a decision may rest on, and nothing else."""
_LONGEST_ANSWER = 200_000
_NOT_SIGNED_IN = "The EHR did not complete the sign-in; open Nuque from the chart again."
_ASK = "Ask the IT service desk."


class LaunchFailed(NuqueError):
    """A launch came to nothing; the message is for whoever launched."""


@dataclass(frozen=True)
class Begun:
    """Where the browser goes to sign in, and what has to be remembered until it is back."""

    address: str
    state: str
    verifier: str


@dataclass(frozen=True)
class Granted:
    """What the EHR granted: the token, how long it lives in seconds, and whose chart is open."""

    access_token: str
    seconds: int
    scope: str
    patient: str
    encounter: str | None


class SmartLauncher:
    """Launches at the FHIR servers in the settings."""

    def __init__(self, settings: ReachSettings) -> None:
        """Raises ReachError where a setting cannot be used."""
        self._clients = dict(entry.rsplit("=", 1) for entry in settings.smart_clients)
        self._origins = listed_origins(settings.fhir_servers, "NUQUE_FHIR_SERVERS")
        self._private = listed_networks(settings.private_networks, "NUQUE_PRIVATE_NETWORKS")
        self._seconds = settings.smart_seconds
        for iss in self._clients:
            if Origin.of(iss) not in self._origins:
                raise ReachError(f"NUQUE_SMART_CLIENTS: {iss}: its server is not in NUQUE_FHIR_SERVERS; add it there")

    async def begin(self, iss: str, launch: str | None, redirect_uri: str) -> Begun:
        """Begin at the FHIR server ``iss``, out of its chart by ``launch`` or standalone. Raises LaunchFailed.

        The EHR sends the browser back to ``redirect_uri``.
        """
        # Imported here: only sites that launch from an EHR need it.
        from authlib.common.security import generate_token
        from authlib.oauth2.rfc6749.parameters import prepare_grant_uri
        from authlib.oauth2.rfc7636 import create_s256_code_challenge

        configuration = await self._configuration(iss)
        verifier, state = generate_token(64), secrets.token_urlsafe(32)
        address = prepare_grant_uri(
            configuration["authorization_endpoint"],
            client_id=self._clients[iss],
            response_type="code",
            redirect_uri=redirect_uri,
            scope=f"{'launch/patient' if launch is None else 'launch'} {READING}",
            state=state,
            code_challenge=create_s256_code_challenge(verifier),
            code_challenge_method="S256",
            aud=iss,
            **({} if launch is None else {"launch": launch}),
        )
        return Begun(address, state, verifier)

    async def finish(self, iss: str, code: str, verifier: str, redirect_uri: str) -> Granted:
        """Trade ``code`` for a token at the FHIR server ``iss``. Raises LaunchFailed.

        ``verifier`` is that of ``begin``, and ``redirect_uri`` the same as there.
        """
        from authlib.oauth2.rfc6749.parameters import prepare_token_request

        endpoint = (await self._configuration(iss))["token_endpoint"]
        body = prepare_token_request(
            "authorization_code",
            redirect_uri=redirect_uri,
            code=code,
            client_id=self._clients[iss],
            code_verifier=verifier,
        )
        token = await self._asked("POST", endpoint, body)
        if not isinstance(token, dict):
            raise LaunchFailed(_NOT_SIGNED_IN)
        return _granted(token)

    async def _configuration(self, iss: str) -> Mapping[str, str]:
        """Where ``iss`` authorises (RFC 8414, as SMART has it). Raises LaunchFailed."""
        if iss not in self._clients:
            raise LaunchFailed(f"Nuque is not registered at the EHR that it was launched from. {_ASK}")
        found = await self._asked("GET", f"{iss.rstrip('/')}/.well-known/smart-configuration")
        if found is None:
            raise LaunchFailed("The EHR did not say where to sign in; open Nuque from the chart again.")
        return _checked(found)

    async def _asked(self, method: str, address: str, form: str | None = None) -> Any:
        """The JSON at ``address``; None where there is no such answer from a server that the site listed."""
        headers = {"accept": "application/json", "accept-encoding": "identity"}
        if form is not None:
            headers["content-type"] = "application/x-www-form-urlencoded"
        try:
            async with (
                httpx.AsyncClient(
                    transport=self._transport(address), timeout=self._seconds, trust_env=False, headers=headers
                ) as client,
                client.stream(method, address, content=form) as response,
            ):
                response.raise_for_status()
                return json.loads(await read_bounded(response, _LONGEST_ANSWER))
        except (httpx.HTTPError, httpx.InvalidURL, ReachError, AnswerTooLong, ValueError) as error:
            log.warning("no answer of a server to sign in at", reason=type(error).__name__)
            return None

    def _transport(self, address: str) -> PinnedTransport:
        origin = Origin.of(address)
        if origin not in self._origins:
            raise ReachError(f"{origin}: not in NUQUE_FHIR_SERVERS")
        return PinnedTransport(origin, self._private)


def _checked(configuration: Any) -> Mapping[str, str]:
    endpoints = ("authorization_endpoint", "token_endpoint")
    found = configuration if isinstance(configuration, dict) else {}
    for name in endpoints:
        if not str(found.get(name, "")).startswith(("https://", "http://")):
            raise LaunchFailed(f"The EHR's SMART configuration names no endpoint to sign in at. {_ASK}")
    # SMART App Launch 2: servers SHALL support S256.
    if "S256" not in found.get("code_challenge_methods_supported", ["S256"]):
        raise LaunchFailed(f"The EHR does not support PKCE with S256, without which nothing is launched. {_ASK}")
    return {name: found[name] for name in endpoints}


def _granted(token: Mapping[str, Any]) -> Granted:
    access, patient, encounter = (token.get(name) for name in ("access_token", "patient", "encounter"))
    if not isinstance(access, str) or str(token.get("token_type", "")).lower() != "bearer":
        raise LaunchFailed(_NOT_SIGNED_IN)
    if not isinstance(patient, str) or not patient:
        raise LaunchFailed("The EHR named no patient; open a chart, and Nuque from there.")
    try:
        seconds = int(token.get("expires_in", 300))
    except (TypeError, ValueError):
        seconds = 0
    if seconds <= 0:
        raise LaunchFailed("The EHR's permission has expired already; open Nuque from the chart again.")
    scope = token.get("scope")
    return Granted(
        access,
        seconds,
        scope if isinstance(scope, str) else "",
        patient,
        encounter if isinstance(encounter, str) else None,
    )
