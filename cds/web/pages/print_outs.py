"""Paper out of the bedside form: the plan for the chart on one page, and the patient's leaflet in large print."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response

from cds.web.dependencies import CurrentService, Service
from cds.web.pages.answer import Answer
from cds.web.pages.bedside import decided, whole
from cds.web.pages.fact_form import FactForm, fact_form
from cds.web.pages.form_posts import PostedForm
from cds.web.pages.rendering import page

router = APIRouter(include_in_schema=False)

LANGUAGE = "leaflet"
"""Field with the language of the leaflet (BCP 47 code): posted, as what somebody speaks is told of that person."""


@router.post("/print/plan")
def plan(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The plan for the chart; where something cannot be used, the bedside page that says what."""
    form.pop(LANGUAGE, None)
    read, made = _decided(service, form)
    if made is None:
        return whole(request, service, read)
    return page(request, "print_plan.html", answer=made, facts=_facts(read), **_stamp(made))


@router.post("/print/leaflet")
def leaflet(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The patient's leaflet in one language, by default the first that the rule set has."""
    language = form.pop(LANGUAGE, None)
    read, made = _decided(service, form)
    if made is None:
        return whole(request, service, read)
    leaflets = {one.language: one for one in made.decision.leaflets}
    chosen = leaflets.get(language or "") or next(iter(leaflets.values()), None)
    return page(request, "print_leaflet.html", leaflet=chosen, **_stamp(made))


def _decided(service: Service, form: dict[str, str]) -> tuple[FactForm, Answer | None]:
    read = fact_form(service.content.ruleset, form)
    return read, decided(service, read)


def _facts(form: FactForm) -> list[tuple[str, str]]:
    """What the plan rests on, as it was typed."""
    return [
        (field.fact.label, f"{dict(field.choices).get(field.value, field.value)} {field.unit}".strip())
        for field in form.fields
        if field.value.strip()
    ]


def _stamp(answer: Answer) -> dict[str, Any]:
    """When it was printed, and out of which content."""
    identity = answer.decision.ruleset
    return {
        "printed": f"{answer.decision.at.astimezone():%Y-%m-%d %H:%M %Z}",
        "content": f"{identity.version}, {identity.hash[:12]}",
    }
