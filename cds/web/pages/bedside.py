"""The bedside page: facts in, the answer beside them; by form post, or piece by piece while somebody types."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from cds.web.dependencies import CurrentService, Service
from cds.web.pages.answer import Answer, answer
from cds.web.pages.fact_form import FactForm, fact_form
from cds.web.pages.form_posts import PostedForm
from cds.web.pages.rendering import page

router = APIRouter(include_in_schema=False)

_LANGUAGES = {"en": "English", "es": "Spanish"}


@router.get("/bedside")
def empty(request: Request, service: CurrentService) -> Response:
    """A new form, with what is to be found out first."""
    return whole(request, service, fact_form(service.content.ruleset, {}))


@router.post("/bedside")
def filled(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The form as it was posted, with its answer. Nothing of it is kept."""
    return whole(request, service, fact_form(service.content.ruleset, form))


@router.post("/bedside/answer")
def answered(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The answer alone, for a page that is open."""
    read = fact_form(service.content.ruleset, form)
    status = 422 if read.problems else 200
    return page(request, "bedside_answer.html", status, form=read, answer=decided(service, read), part=True)


def decided(service: Service, form: FactForm) -> Answer | None:
    """The answer to ``form``, or None while something in it cannot be used: then the API decides nothing either."""
    if form.problems:
        return None
    content = service.content
    decision = content.decider.decide(form.facts, service.clock())
    return answer(content.ruleset, decision, content.shelf(decision))


def whole(request: Request, service: Service, form: FactForm) -> Response:
    """The whole page with ``form`` and its answer."""
    status = 422 if form.problems else 200
    return page(
        request,
        "bedside.html",
        status,
        form=form,
        answer=decided(service, form),
        part=False,
        leaflets=_leaflets(service),
    )


def _leaflets(service: Service) -> list[tuple[str, str]]:
    """The languages in which leaflets are written: code, and name in English."""
    return [(code, _LANGUAGES.get(code, code)) for code in service.content.ruleset.leaflets]
