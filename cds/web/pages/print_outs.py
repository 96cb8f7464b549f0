"""Paper: out of the bedside form the plan for the chart, the staff sheet and the leaflet; out of the rules the downtime sheet."""

from __future__ import annotations

import re
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.bedside import MAY_HOLD_A_LINK, read, whole
from cds.web.pages.fact_form import FactForm, FormField
from cds.web.pages.form_posts import PostedForm
from cds.web.pages.rendering import document, moment_words, page
from rules.model.decision import Task
from rules.model.quantity_words import quantity_words

router = APIRouter(tags=["pages"], default_response_class=HTMLResponse)

_NEXT_SENTENCE = re.compile(r"(?<=[.?]) (?=[A-Z])")

LANGUAGE = "leaflet"
"""Field with the language of the leaflet (BCP 47 code): posted, as what somebody speaks is told of that person."""


@dataclass(frozen=True)
class LeafletWords:
    """What a leaflet says beside its instructions, in its ``language``: whom to call, to be written in, and when printed."""

    language: str
    team: str
    emergency: str
    visit: str
    printed: str


_ENGLISH = LeafletWords("en", "Your team", "Emergency number", "Next visit", "Printed")
_WORDS = {
    "en": _ENGLISH,
    "es": LeafletWords("es", "Su equipo", "Número de emergencias", "Próxima visita", "Impreso"),
}
"""A leaflet in a language of the site's has these in English."""


@router.post("/print/plan", responses=MAY_HOLD_A_LINK)
def plan(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The plan for the chart; where something cannot be used, the bedside page that says what."""
    return _for_staff(request, form, service, "print_plan.html")


@router.post("/print/staff", responses=MAY_HOLD_A_LINK)
def staff(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The staff sheet: how each task is done, step by step and by role, with room to sign what was done."""
    return _for_staff(request, form, service, "print_staff.html")


@router.get("/print/downtime", responses={501: {"description": "this installation lacks an extra, which is named"}})
def downtime(request: Request, service: CurrentService) -> Response:
    """The sheet for when the service is down, on two sides: questions that lead to the size, care for everybody, cautions."""
    try:
        from cds.reports.downtime_sheet import sheet
        from cds.reports.downtime_sheet_pdf import STYLE, as_html
    except ModuleNotFoundError as error:
        needed = (
            "the downtime sheet needs the extra `workbench` where the service runs; `nuque rules sheet` makes it too"
        )
        raise RefusedCall(501, [Issue(None, needed, "not-supported")]) from error
    content = service.content
    items = content.catalogue.items if content.catalogue else ()
    return document(
        request,
        as_html(sheet(content.ruleset, service.clock().astimezone(service.settings.zone).date(), items)),
        STYLE,
    )


@router.post("/print/leaflet", responses=MAY_HOLD_A_LINK)
def leaflet(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The patient's leaflet in one language, by default the first that the rule set has."""
    language = form.pop(LANGUAGE, None)
    bedside = read(service, form)
    made = bedside.answer
    if made is None:
        return whole(request, bedside)
    leaflets = {one.language: one for one in made.decision.leaflets}
    chosen = leaflets.get(language or "") or next(iter(leaflets.values()), None)
    return page(
        request,
        "print_leaflet.html",
        leaflet=chosen,
        words=_WORDS.get(chosen.language if chosen else "", _ENGLISH),
        decision=made.decision,
        printed=moment_words(service.clock(), service.settings.zone),
    )


def _for_staff(request: Request, form: PostedForm, service: Service, template: str) -> Response:
    """``template`` of what the form says; where something cannot be used, the bedside page that says what.

    Where nothing is recorded nothing is printed: on paper a size to try first would be read as somebody's.
    """
    form.pop(LANGUAGE, None)
    bedside = read(service, form)
    made = bedside.answer
    if made is None:
        return whole(request, bedside)
    if not made.decision.facts:
        return page(request, "print_nothing.html", decision=made.decision)
    return page(
        request,
        template,
        answer=made,
        facts=_facts(bedside.form),
        steps=_steps,
        printed=moment_words(service.clock(), service.settings.zone),
    )


def _steps(task: Task) -> list[str]:
    """How ``task`` is done, a sentence a step."""
    return _NEXT_SENTENCE.split(task.instruction)


def _facts(form: FactForm) -> list[tuple[str, str]]:
    """What the plan rests on, as it was typed."""
    return [(field.fact.label, _typed(field)) for field in form.fields if field.value.strip()]


def _typed(field: FormField) -> str:
    if field.fact.unit == "h":
        return quantity_words(float(field.value.strip().replace(",", ".", 1)), "h")
    return f"{dict(field.choices).get(field.value, field.value).lower()} {field.unit}".strip()
