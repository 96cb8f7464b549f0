"""Orders: one ServiceRequest for fitting the collar, one for each task that is ordered on its own."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, coding, concept, present
from cds.fhir.writing.fhir_timing import fhir_timing
from cds.fhir.writing.identifiers import urn
from cds.fhir.writing.order_context import REQUESTERS, OrderContext
from cds.fhir.writing.provenance import supporting_records
from cds.fhir.writing.request_common import note, opening, parties, people_needed, role, task_concept
from rules.model.decision import Decision, SizeClass, Task

ORDERS = "orders"
SIZE_CLASSES = "size-classes"
FIT_COLLAR = "fit-rigid-neck-collar"
REVIEW = "review-before-collar"

ORDER_TITLES = {
    FIT_COLLAR: "Fit a rigid neck collar",
    REVIEW: "Clinician to decide on the collar",
}
"""The orders written here that are not tasks of the rule set."""

FIT_TASK = "fit_collar"
"""The task of the rule set, if it has one, that says when, by whom and by how many the collar is fitted."""

_MOST_KEPT = 1024
"""Tasks of which something is kept as it is written; patients ask for far fewer different ones."""

_REVIEWER = "responsible clinician"


def service_requests(decision: Decision, context: OrderContext) -> list[Resource]:
    """Every order of ``decision``: the collar (or, where the size is withheld, the review), then the tasks in their order.

    ``context`` says for whom, and at whose request, they are written.
    """
    first = (collar_service_request(decision, context), review_service_request(decision, context))
    return [
        *(order for order in first if order is not None),
        *(task_service_request(decision, task, context) for task in ordered_tasks(decision)),
    ]


def ordered_tasks(decision: Decision) -> tuple[Task, ...]:
    """The tasks of ``decision`` that get a ServiceRequest of their own, the fitting itself left out."""
    return tuple(task for task in decision.tasks if task.request == "order" and task.task != FIT_TASK)


def collar_service_request(decision: Decision, context: OrderContext) -> Resource | None:
    """The order to fit the collar of the size class of ``decision``, or None where the size is withheld.

    ``orderDetail`` holds the size class: coded, and in words for the person at the bedside. ``context`` says for whom
    it is written.
    """
    if decision.size_class is None:
        return None
    task = fit_task(decision)
    details = [size_concept(decision.size_class, context)]
    reasons: tuple[str, ...] = ()
    if task is not None:
        details += _of_any_patient(task, context.canonicals)["orderDetail"]
        reasons = task.reasons
    return _service_request(
        decision,
        context,
        part=FIT_COLLAR,
        rules=fit_rules(decision),
        code=order_concept(FIT_COLLAR, context),
        details=details,
        reasons=reasons,
        carried_out=_carried_out(decision, task, context),
        notes=[
            *alternates(decision, context),
            *(_outcome(decision, task, context) if task else ()),
            *caution_notes(decision, context),
        ],
    )


def review_service_request(decision: Decision, context: OrderContext) -> Resource | None:
    """The order for a clinician's review where ``decision`` withholds the size, or None where that is seen to otherwise.

    ``context`` says for whom it is written. A reason to withhold is seen to when a rule that gave it also asks for a
    task that is ordered. Never names a size. Where the reason is that the device is the wrong one, the review is due at
    once.
    """
    if decision.size_class is not None:
        return None
    seen_to = {rule for task in ordered_tasks(decision) for rule in task.rules}
    open_holds = [hold for hold in decision.holds if seen_to.isdisjoint(hold.rules)]
    if decision.holds and not open_holds:
        return None
    rules = dict.fromkeys(rule for hold in open_holds for rule in hold.rules)
    return _service_request(
        decision,
        context,
        part=REVIEW,
        rules=list(rules),
        code=order_concept(REVIEW, context),
        details=[],
        reasons=tuple(hold.text for hold in open_holds) or ("No rule gives a size for what is known.",),
        notes=caution_notes(decision, context),
        carried_out=present(
            priority="stat" if any(hold.kind == "do_not_size" for hold in open_holds) else None,
            performerType=concept(_REVIEWER),
        ),
    )


def task_service_request(decision: Decision, task: Task, context: OrderContext) -> Resource:
    """The order for one ``task`` of ``decision``; ``context`` says for whom it is written."""
    return _service_request(
        decision,
        context,
        part=task.task,
        rules=task.rules,
        code=task_concept(task.task, task.title, context.canonicals),
        details=_of_any_patient(task, context.canonicals)["orderDetail"],
        reasons=task.reasons,
        carried_out=_carried_out(decision, task, context),
        notes=_outcome(decision, task, context),
    )


def fit_task(decision: Decision) -> Task | None:
    """The task of ``decision`` that says how the collar is fitted, where the rules ask for one."""
    return next((task for task in decision.tasks if task.task == FIT_TASK), None)


def fit_rules(decision: Decision) -> list[str]:
    """The rules of ``decision`` behind the order to fit the collar: those of the size, and those of the fitting."""
    task = fit_task(decision)
    return list(dict.fromkeys([*size_rules(decision), *(task.rules if task else ())]))


def _outcome(decision: Decision, task: Task, context: OrderContext) -> list[Element]:
    return [note(decision, f"Wanted outcome: {task.outcome}", context)] if task.outcome else []


def order_concept(order: str, context: OrderContext) -> Element:
    """Our ``order`` that is not a task of the rule set, coded under the base of ``context`` and in words."""
    title = ORDER_TITLES[order]
    return concept(title, coding(context.canonicals.code_system(ORDERS), order))


def size_concept(size: SizeClass, context: OrderContext) -> Element:
    """The size class ``size``, coded as it is written (``adult H3 G2``), with the code and its meaning in words.

    The code stands under the base of ``context``.
    """
    system = context.canonicals.code_system(SIZE_CLASSES)
    return concept(f"{size.in_words}: {size.words}", coding(system, size.code))


def size_rules(decision: Decision) -> list[str]:
    """The rules behind the size class of ``decision``, axis by axis."""
    return list(dict.fromkeys(rule for axis in decision.axes.values() for rule in axis.rules))


def alternates(decision: Decision, context: OrderContext) -> list[Element]:
    """A note on the order in which to try the sizes of ``decision``, where more than one may fit.

    Codes stand under the base of ``context``.
    """
    if len(decision.candidates) < 2:
        return []
    lines = [
        f"- {option.size_class.in_words}: {option.size_class.words} ({option.why})" for option in decision.candidates
    ]
    words = "More than one size may fit. Try them in this order:\n" + "\n".join(lines)
    return [note(decision, words, context, size_rules(decision))]


def caution_notes(decision: Decision, context: OrderContext) -> list[Element]:
    """One note for each caution of ``decision``, the gravest first, with codes under the base of ``context``."""
    return [
        note(decision, f"{caution.severity.capitalize()}: {caution.text}", context, caution.rules)
        for caution in decision.cautions
    ]


def _carried_out(decision: Decision, task: Task | None, context: OrderContext) -> Element:
    """When, by whom, by how many and where: the elements that say it, none where there is no task."""
    if task is None:
        return {}
    urls = context.canonicals
    timing = fhir_timing(task.timing, task.timing_words, decision.at, urls)
    return {**_of_any_patient(task, urls)["carried_out"], "occurrenceTiming": timing}


@lru_cache(_MOST_KEPT)
def _of_any_patient(task: Task, urls: Canonicals) -> Element:
    """What an order of ``task`` says of no patient in particular. Shared: never to be changed."""
    return {
        "orderDetail": [concept(line) for line in (task.instruction, *task.details)],
        "carried_out": present(
            extension=[people_needed(task.people, urls)],
            priority="stat" if task.timing.within_hours == 0 else None,
            performerType=role(task.performer, task.performer_words, urls),
            locationCode=[concept(task.location)] if task.location else None,
        ),
    }


def _service_request(
    decision: Decision,
    context: OrderContext,
    *,
    part: str,
    rules: Iterable[str],
    code: Element,
    details: list[Element],
    reasons: tuple[str, ...],
    notes: list[Element],
    carried_out: Element,
) -> Resource:
    rules = list(rules)
    used = supporting_records(decision, rules)
    head = opening(decision, context, urn(decision, context, part), rules)
    return present(
        resourceType="ServiceRequest",
        **{**head, "extension": [*head["extension"], *carried_out.get("extension", ())]},
        priority=carried_out.get("priority"),
        code=code,
        orderDetail=details,
        **parties(decision, context, REQUESTERS),
        occurrenceTiming=carried_out.get("occurrenceTiming"),
        performerType=carried_out.get("performerType"),
        locationCode=carried_out.get("locationCode"),
        reasonCode=[concept(reason) for reason in reasons],
        reasonReference=used.reason_references,
        supportingInfo=used.supporting_info,
        note=notes,
    )
