"""The status codes that the layers around every route can give, beside those that a route names itself."""

from __future__ import annotations

from typing import Any

from cds.settings import Settings
from cds.web.middleware.authentication import is_always_open, is_page_path
from cds.web.middleware.request_limits import ADMIN
from cds.web.openapi.answers import FHIR_JSON, HTML, JSON, reference

_OUTCOME = {JSON: {"schema": reference("OperationOutcome")}}
_RETRY = {"Retry-After": {"description": "Seconds after which to send it again.", "schema": {"type": "string"}}}
_WORDS = {
    400: "Not HTTP, or not what this route reads; the OperationOutcome says what, where, and what is accepted.",
    401: "No token, or one that does not hold.",
    403: "Not for this caller: from another machine in open mode, of another tenant, or a page without a session.",
    404: "There is no such thing; the OperationOutcome says what there is.",
    408: "The body did not come in time.",
    412: "Needed data could not be had; the OperationOutcome names each prefetch key.",
    413: "The body is too long.",
    415: "The body is not of the type that this route reads, or is compressed.",
    429: "Too many calls of this client.",
    500: "The service failed; nothing was decided.",
    503: "Not now: too many calls, content still being checked, no answer in time, or stopping. Send it again.",
}
_EVERYWHERE = (400, 408, 413, 415, 500, 503)
_ON_A_PAGE = (400, 403, 404, 422, 500, 503)

TOKEN, SESSION, PROXY, ADMIN_TOKEN = "cdsHooksToken", "smartSession", "siteProxy", "adminToken"
"""Names of the ways to say who calls."""


def refusals(route: str, settings: Settings) -> dict[str, Any]:
    """The status codes that the layers around ``route`` (``METHOD PATH``) give under ``settings``.

    Each comes with the answer that tells why.
    """
    codes = sorted({*_EVERYWHERE, *_of_the_gate(route, settings)})
    return {str(code): refusal(code, route) for code in codes}


def refusal(code: int, route: str = "", words: str | None = None) -> dict[str, Any]:
    """The answer of ``route`` (``METHOD PATH``) with the HTTP status ``code``, described by ``words`` or as usual.

    A page's own is HTML where it can be shown.
    """
    answer: dict[str, Any] = {"description": words or _WORDS[code], "content": dict(_OUTCOME)}
    if code in (429, 503):
        answer["headers"] = _RETRY
    if is_fhir_route(route):
        answer["content"][FHIR_JSON] = answer["content"][JSON]
    if is_page_route(route) and code in _ON_A_PAGE:
        answer["content"][HTML] = {"schema": {"type": "string"}}
    if is_page_route(route) and code == 403:
        answer["content"]["text/plain"] = {"schema": {"type": "string"}}
    return answer


def callers(route: str, settings: Settings) -> list[dict[str, list[str]]]:
    """Who may call ``route`` (``METHOD PATH``) under ``settings``: one of these. Empty where nobody is asked."""
    method, _, path = route.partition(" ")
    if path.startswith(ADMIN):
        return [{ADMIN_TOKEN: []}]
    if settings.trust == "open" or is_always_open(method, path, settings):
        return []
    pages: list[dict[str, list[str]]] = [{SESSION: []}]
    if settings.page_user_header:
        pages.append({PROXY: []})
    if _is_for_both(route):
        return [{TOKEN: []}, *pages]
    return pages if is_page_route(route) else [{TOKEN: []}]


def security_schemes(settings: Settings) -> dict[str, Any]:
    """The ways to say who calls, by name, as ``settings`` has them."""
    schemes: dict[str, Any] = {
        TOKEN: {
            "type": "http",
            "scheme": "bearer",
            "bearerFormat": "JWT",
            "description": "The signed token of HL7 CDS Hooks 2.0, made for the very URL that is called and used once. "
            "In open mode nobody is asked for one, and only this machine may call.",
        },
        SESSION: {
            "type": "apiKey",
            "in": "cookie",
            "name": "nuque-session",
            "description": "A browser in which a chart is open (SMART App Launch).",
        },
        ADMIN_TOKEN: {"type": "http", "scheme": "bearer", "description": "The token of whoever runs the service."},
    }
    if settings.page_user_header:
        schemes[PROXY] = {
            "type": "apiKey",
            "in": "header",
            "name": settings.page_user_header,
            "description": "The user whom the site's proxy has signed in.",
        }
    return schemes


def is_page_route(route: str) -> bool:
    """Whether a browser gets a page from ``route``."""
    return is_page_path(route.partition(" ")[2])


def is_fhir_route(route: str) -> bool:
    """Whether ``route`` itself answers as FHIR, its refusals included; the layers around it refuse in plain JSON."""
    return route.partition(" ")[2].startswith("/fhir/")


def _of_the_gate(route: str, settings: Settings) -> set[int]:
    method, _, path = route.partition(" ")
    if path.startswith(ADMIN):
        return {401}
    if settings.trust == "open":
        return {403}
    if is_always_open(method, path, settings):
        return set()
    return {403} if is_page_route(route) and not _is_for_both(route) else {401, 403, 429}


def _is_for_both(route: str) -> bool:
    """Whether browsers and programs come to its address: programs with a token, as without HTML it is not a page."""
    return route.startswith("GET /rules")
