"""The bedside page: facts in, the answer beside them; by form post, piece by piece while somebody types, or out of a link."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from cds.fhir import codes
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.answer import Answer, Stop, answer
from cds.web.pages.fact_form import FactForm, fact_form
from cds.web.pages.form_posts import Form, PostedForm
from cds.web.pages.opened_decision import Opened, changed_since, opened
from cds.web.pages.rendering import WITH_PROBLEMS, page

router = APIRouter(tags=["pages"], default_response_class=HTMLResponse)

MAY_HOLD_A_LINK = WITH_PROBLEMS | {
    410: {"description": "the link of a card cannot be opened any more, and nothing else was posted; the page says why"}
}
"""What a route adds to its description whose form may hold the link of a card."""


@dataclass(frozen=True)
class Bedside:
    """What the page shows: the form, what it was opened with, and the answer (None while a field cannot be used).

    ``as_opened`` while nobody changed a value; ``changes`` are what is said otherwise than on the card. ``stops`` are what
    stops the fitting by what can be used: a slip in one field hides no danger that stands in another. ``dangers`` is how many
    nobody recorded.
    """

    form: FactForm
    opened: Opened
    answer: Answer | None
    as_opened: bool = False
    changes: tuple[str, ...] = ()
    stops: tuple[Stop, ...] = ()
    dangers: int = 0

    @property
    def leaflets(self) -> list[tuple[str, str]]:
        """The languages of the leaflets that there are for this patient: code, and name in English."""
        written = self.answer.decision.leaflets if self.answer else ()
        return [(one.language, codes.LANGUAGES.get(one.language, one.language)) for one in written]


@router.get("/", include_in_schema=False)
def first_page() -> Response:
    """The way to the page that most people come for, for whoever typed the name of the service alone."""
    return RedirectResponse("/bedside")


@router.get("/bedside")
def empty(request: Request, service: CurrentService) -> Response:
    """A new form, with what is to be found out first."""
    return whole(request, read(service, {}))


@router.post("/bedside", responses=MAY_HOLD_A_LINK)
def filled(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The form as it was posted, with its answer. Nothing of it is kept."""
    return whole(request, read(service, form))


@router.post("/bedside/link", responses=MAY_HOLD_A_LINK)
def linked(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The decision that a link carries: the form filled with its facts, and the same answer."""
    found = opened(service, form)
    return whole(request, _decided(service, fact_form(service.content.ruleset, found.fields), found))


@router.post("/bedside/answer", responses=MAY_HOLD_A_LINK)
def answered(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """The answer alone, for a page that is open."""
    made = read(service, form)
    return page(request, "bedside_answer.html", _status(made), bedside=made, part=True)


def read(service: Service, form: Form) -> Bedside:
    """The page of ``service`` for the ``form`` that was posted, by the names of its fields.

    While something in it cannot be used it has no answer, as of the API, but what stops.
    """
    found = opened(service, form)
    return _decided(service, fact_form(service.content.ruleset, form), found)


def whole(request: Request, made: Bedside) -> Response:
    """The whole page with ``made``, as an answer to ``request``."""
    return page(request, "bedside.html", _status(made), bedside=made, part=False)


def _decided(service: Service, form: FactForm, found: Opened) -> Bedside:
    content, basis = service.content, found.basis(form, service.clock())
    decision = content.decider.decide(basis.facts, basis.at, basis.not_used)
    shown = answer(content.ruleset, decision, content.shelf(decision), service.settings.zone)
    dangers = len(decision.dangers_not_recorded.facts) if decision.dangers_not_recorded else 0
    if form.problems:
        return Bedside(form, found, None, stops=shown.stops, dangers=dangers)
    changes = changed_since(found.decision, decision) if found.decision and basis.as_opened else []
    return Bedside(form, found, shown, basis.as_opened, tuple(changes), shown.stops, dangers)


def _status(made: Bedside) -> int:
    if made.opened.problem and not made.form.facts:
        return 410
    return 422 if made.form.problems else 200
