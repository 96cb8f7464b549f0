"""The fit check page: what is found, the one correction to make now, the next size or stop; and a record at its end."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.publishing.questionnaire import response
from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import CurrentService, Service
from cds.web.pages.fact_form import fact_form
from cds.web.pages.fit_form import FitForm, missing_axes, read_fit_form, regions, size_fields, worn
from cds.web.pages.form_posts import PostedForm
from cds.web.pages.opened_decision import opened
from cds.web.pages.rendering import WITH_PROBLEMS, moment_words, page
from rules.deciding.fit_check import (
    CORRECTING,
    WORN,
    FitAdvice,
    FitCheck,
    advise,
    corrections_of,
    findings_of,
    size_words,
)
from rules.errors import FactError
from rules.model.decision import Caution
from rules.model.ruleset import Ruleset

router = APIRouter(tags=["pages"], default_response_class=HTMLResponse)


@router.get("/fit")
def begin(request: Request, service: CurrentService) -> Response:
    """A new fit check."""
    return _shown(request, service, FitForm(worn(service.content.ruleset, None), None, {}, (), {}))


@router.post("/fit/start")
def begin_with_facts(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """A new fit check with the facts of the bedside page and the size that they lead to."""
    ruleset = service.content.ruleset
    opened(service, form)
    read = fact_form(ruleset, form)
    facts = {name: value for name, value in read.facts.items() if _belongs_to_the_patient(ruleset, name)}
    decision = service.content.decider.decide(facts, service.clock())
    size = decision.size_class.code if decision.size_class else None
    return _shown(request, service, FitForm(worn(ruleset, size), None, {}, (), facts))


@router.post("/fit", responses=WITH_PROBLEMS)
def judged(request: Request, form: PostedForm, service: CurrentService) -> Response:
    """What to do about the findings, and the form for the next look."""
    ruleset = service.content.ruleset
    read = read_fit_form(ruleset, form)
    if missing_axes(ruleset, read):
        return _shown(request, service, read, status=422)
    at = service.clock()
    advice = _advice(service, read, at)
    after = read.following(ruleset, advice) if advice.outcome in ("reseat", "change_size") else read
    record = _record(ruleset, read, advice, moment_words(at, service.settings.zone))
    return _shown(request, service, after, advice=advice, checked=read, record=record)


@router.post("/fit/record", responses=WITH_PROBLEMS)
def recorded(form: PostedForm, service: CurrentService) -> Response:
    """The check as a FHIR QuestionnaireResponse, to be kept or sent; nothing of it stays here."""
    content = service.content
    read = read_fit_form(content.ruleset, form)
    if missing_axes(content.ruleset, read):
        raise RefusedCall(422, [Issue("size", "the size worn is not chosen on every axis", "invalid")])
    resource = response(
        read.attempt(content.ruleset), content.ruleset, Canonicals(content.code_map.base), service.clock()
    )
    headers = {"Content-Disposition": 'attachment; filename="fit-check.json"'}
    return JSONResponse(resource, headers=headers, media_type="application/fhir+json")


def _belongs_to_the_patient(ruleset: Ruleset, name: str) -> bool:
    readers = {rule.topic for rule in ruleset.rules.values() if name in rule.reads}
    return name != WORN and name not in findings_of(ruleset) and readers != {"fit_check"}


def _advice(service: Service, form: FitForm, at: datetime) -> FitAdvice:
    content = service.content
    attempt = form.attempt(content.ruleset)
    shelf = None if content.catalogue is None else content.catalogue.for_fit_checks()
    check = FitCheck(**attempt.model_dump(), facts=dict(form.facts), history=form.history, shelf=shelf)
    try:
        return advise(content.decider, check, at)
    except FactError as error:
        raise _refused(error) from error


def _shown(
    request: Request,
    service: Service,
    form: FitForm,
    status: int = 200,
    advice: FitAdvice | None = None,
    checked: FitForm | None = None,
    record: str | None = None,
) -> Response:
    ruleset = service.content.ruleset
    items = service.content.catalogue.items if service.content.catalogue else ()
    parts = regions(ruleset)
    looked = [region.name for region in parts if form.has_looked_at(region)]
    stops, reasons = ([], []) if advice else _stops(service, form)
    return page(
        request,
        "fit.html",
        status,
        form=form,
        advice=advice,
        checked=checked or form,
        record=record,
        regions=parts,
        looked=looked,
        stops=stops,
        reasons=reasons,
        in_steps=[one for one in advice.cautions if _is_a_step(ruleset, one)] if advice else [],
        fields=size_fields(ruleset),
        plain=[name for name, axis in ruleset.axes.items() if form.size.get(name) == axis.silent],
        missing=missing_axes(ruleset, form) if status == 422 else [],
        items=items,
        names={one.item: one.name for one in items},
        labels={name: fact.label for name, fact in findings_of(ruleset).items()},
        no_item_for=[size_words(ruleset, code) for code in advice.no_item_for] if advice else [],
        staff=_staff(ruleset, advice),
    )


def _stops(service: Service, form: FitForm) -> tuple[list[str], list[str]]:
    """What stops the fitting by what is known before the size worn is chosen: nobody in danger waits for a choice.

    Apart from it what its steps say in other words.
    """
    if not form.facts and not form.findings:
        return [], []
    content = service.content
    try:
        decision = content.decider.decide({**form.facts, **form.findings, WORN: True}, service.clock())
    except FactError as error:
        raise _refused(error) from error
    stopping = [one for _, one in corrections_of(content.ruleset, decision) if one.action == "stop"]
    grave = [caution for caution in decision.cautions if caution.severity == "critical"]
    in_steps = [caution for caution in grave if _is_a_step(content.ruleset, caution)]
    stops = [
        *(hold.text for hold in decision.holds if hold.kind == "do_not_size"),
        *(one.correction for one in stopping),
        *(caution.text for caution in grave if caution not in in_steps),
    ]
    return stops, [caution.text for caution in in_steps]


def _is_a_step(ruleset: Ruleset, caution: Caution) -> bool:
    """Whether each rule that says ``caution`` stops the fitting and says as a step what to do."""
    return all(any(one.action == "stop" for one in ruleset.rules[rule].then.corrections) for rule in caution.rules)


def _refused(error: FactError) -> RefusedCall:
    return RefusedCall(422, [Issue(problem.fact, problem.message, "invalid") for problem in error.problems])


def _staff(ruleset: Ruleset, advice: FitAdvice | None) -> tuple[int, tuple[str, ...]]:
    """How many people correct a fit, and what each does: as the advice asks for this patient, else the least."""
    asked = [task for task in (advice.tasks if advice else ()) if task.task == CORRECTING]
    if asked:
        return asked[0].people, asked[0].hands
    least = ruleset.tasks.get(CORRECTING)
    if least is None:
        return 0, ()
    hands = [ruleset.hands[hand].words for hand, count in least.hands.items() for _ in range(count)]
    return least.least_people, tuple(hands)


def _record(ruleset: Ruleset, form: FitForm, advice: FitAdvice, at: str) -> str:
    """The check as text for the chart."""
    labels = {name: fact.label for name, fact in findings_of(ruleset).items()}
    found = [labels[name] for name, present in form.findings.items() if present]
    absent = [labels[name] for name, present in form.findings.items() if not present]
    lines = [
        f"Fit check, {at}",
        f"Worn: {advice.worn.words} ({advice.worn.in_words})" + (f", item {form.item}" if form.item else ""),
        f"Found: {', '.join(found) or 'nothing'}",
        f"Looked at, not found: {', '.join(absent) or 'nothing'}",
        f"Not looked at: {', '.join(labels[name] for name in advice.unchecked) or 'nothing'}",
        f"Advice: {advice.summary}",
        *(f"- {hold.text}" for hold in advice.holds),
        *(f"- {one.correction}" for one in advice.corrections),
        *(
            f"Try {number}: {_try(one.size, one.item, one.findings, labels)}"
            for number, one in enumerate(form.history, 1)
        ),
        f"Rules {advice.ruleset.version}, {advice.ruleset.hash[:12]}. {advice.disclaimer}",
    ]
    return "\n".join(lines)


def _try(size: str, item: str | None, findings: dict[str, bool], labels: dict[str, str]) -> str:
    found = ", ".join(labels[name] for name, present in findings.items() if present)
    return f"{size.replace('_', ' ')}{f' ({item})' if item else ''}, found {found or 'nothing'}"
