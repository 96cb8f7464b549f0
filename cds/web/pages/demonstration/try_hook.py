"""Try a hook: a request about an invented patient, to edit and send, and the cards that an EHR would show. Open mode only."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse
from markdown_it import MarkdownIt
from markupsafe import Markup

from cds.hooks.engine.service import HookService
from cds.hooks.services import SERVICES
from cds.observability.metrics import stage_times
from cds.operation_outcome import Issue, RefusedCall
from cds.site.demo_patients import SHIPPED, DemoIndex, DemoPatient
from cds.web.called_address import called_address
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.demonstration.hook_request import request_for
from cds.web.pages.demonstration.standard_checks import Checked, checked
from cds.web.pages.form_posts import PostedForm
from cds.web.pages.rendering import page

router = APIRouter(
    tags=["pages"],
    default_response_class=HTMLResponse,
    responses={404: {"description": "no such invented patient or service, or none in this installation"}},
)

_MARKDOWN = MarkdownIt("commonmark", {"html": False})
_STAGES = {
    "trust": "who calls",
    "fetch": "completing the prefetch",
    "decide": "reading, deciding, writing cards",
    "whole": "all of it",
}


@dataclass(frozen=True)
class Sent:
    """What came back: status, the answer as JSON, milliseconds by stage, and the checks of the standard."""

    status: int
    answer: Mapping[str, Any]
    stages: tuple[tuple[str, float], ...]
    checks: tuple[Checked, ...]


@router.get("/try")
def prepared(request: Request, service: CurrentService, patient: str = "", hook: str = "") -> Response:
    """A request about ``patient`` (a number of the index) for ``hook`` (the id of a service), ready to be sent."""
    folder, index = _shipped()
    chosen = next((one for one in index.patients if one.number == patient), index.patients[0])
    called = next((one for one in SERVICES if one.id == hook), SERVICES[0])
    made = request_for(called, chosen.bundle(folder), chosen.at, _whole_minute(service), service.content)
    return _shown(request, index, chosen, called, json.dumps(made, indent=2, ensure_ascii=False))


@router.post("/try")
async def sent(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """What the service answers to the request as it was edited, through every layer that a call of an EHR passes."""
    _, index = _shipped()
    called = next((one for one in SERVICES if one.id == form.get("hook")), None)
    chosen = next((one for one in index.patients if one.number == form.get("patient")), None)
    if called is None or chosen is None:
        raise RefusedCall(404, [Issue("hook", "no such patient or service; begin anew at /try", "not-found")])
    text = form.get("request", "")
    return _shown(request, index, chosen, called, text, await _send(request, called, text))


async def _send(request: Request, hook: HookService, text: str) -> Sent:
    with stage_times() as taken:
        # In a task, and so in a context, of its own: the call inside has its own id and caller.
        answer = await asyncio.create_task(_post(request.app, f"/cds-services/{hook.id}", text))
    body = answer.json()
    stages = tuple((_STAGES.get(name, name), seconds * 1000) for name, seconds in taken.items())
    checks = tuple(checked(body)) if answer.status_code == 200 else ()
    return Sent(answer.status_code, body, stages, checks)


async def _post(app: Any, path: str, text: str) -> httpx.Response:
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 0), raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        return await client.post(path, content=text.encode(), headers={"Content-Type": "application/json"})


def _shown(
    request: Request, index: DemoIndex, patient: DemoPatient, hook: HookService, text: str, sent: Sent | None = None
) -> Response:
    return page(
        request,
        "try.html",
        index=index,
        patient=patient,
        hook=hook,
        services=SERVICES,
        text=text,
        sent=sent,
        snippets=_snippets(f"{called_address(request)}/cds-services/{hook.id}", text),
        rendered=_rendered,
        as_json=lambda value: json.dumps(value, indent=2, ensure_ascii=False),
    )


def _rendered(text: str) -> Markup:
    """Markdown of a card as HTML; HTML in it stays text."""
    return Markup(_MARKDOWN.render(text))


def _snippets(address: str, text: str) -> dict[str, str]:
    """The same call from elsewhere."""
    return {
        "curl": f"curl -s {address} -H 'Content-Type: application/json' --data-binary @- <<'JSON'\n{text}\nJSON\n",
        "Python": "import urllib.request\n\n"
        f"body = {text!r}.encode()\n"
        f"call = urllib.request.Request({address!r}, body, {{'Content-Type': 'application/json'}})\n"
        "print(urllib.request.urlopen(call).read().decode())\n",
        "JavaScript": f"const answer = await fetch({json.dumps(address)}, {{\n"
        '  method: "POST",\n  headers: { "Content-Type": "application/json" },\n'
        f"  body: {json.dumps(text)},\n}});\nconsole.log(await answer.json());\n",
    }


def _shipped() -> tuple[Path, DemoIndex]:
    if SHIPPED is None:
        raise RefusedCall(404, [Issue(None, "this installation holds no invented patients", "not-found")])
    return SHIPPED, DemoIndex.read(SHIPPED)


def _whole_minute(service: Service) -> datetime:
    return service.clock().replace(second=0, microsecond=0)
