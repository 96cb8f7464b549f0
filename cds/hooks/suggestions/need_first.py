"""Before size: where a caution leads, or the fitting waits for a decision, that is offered first, never the order of a collar."""

from __future__ import annotations

from dataclasses import replace

from cds.fhir.reading.device_use import IN_PLACE
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.service_request import fit_task
from cds.hooks.cards.budget import Offer
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.hooks.suggestions.order_set import care_orders
from rules.model.decision import Decision, Task

DECIDED = "clinician_decided"
"""The event of the rule set, if it has one, for which the fitting waits where the clinician decides first."""
DECIDE_TASK = "decide_collar_need"
"""The task of the rule set, if it has one, by which that decision is asked for."""
_LABEL = "Ask whether a collar is needed"
_CALL = "Call now, before any collar"
_CALL_WORN = "Call now"


def offers_need_first(
    offers: tuple[Offer, ...], decision: Decision, context: OrderContext, standing: StandingCare
) -> tuple[Offer, ...]:
    """``offers`` after the one that calls in an emergency or asks for the decision about need; as they are where nothing waits.

    What ``decision`` leads with says which. ``context`` says for whom orders are written, ``standing`` what is ordered
    already. What was offered stays possible and is no longer recommended. Where something leads, and the call or the
    decision is asked for already, nothing is offered: the order as the clinician wrote it stays possible.
    """
    awaited = fit_task(decision)
    if not decision.leading and (awaited is None or DECIDED not in awaited.timing.on):
        return offers
    asking = care_orders(decision.model_copy(update={"tasks": _asking(decision), "leaflets": ()}), context, standing)
    if decision.leading and not asking:
        return ()
    first = (Offer(_label(decision), asking, recommended=True),) if asking else ()
    return (*first, *(replace(offer, recommended=False) for offer in offers))


def _asking(decision: Decision) -> tuple[Task, ...]:
    """The tasks that call or ask: those of what leads, else the one that asks for the decision."""
    leading = {rule for caution in decision.leading for rule in caution.rules}
    if decision.leading:
        return tuple(task for task in decision.tasks if leading & set(task.rules))
    return tuple(task for task in decision.tasks if task.task == DECIDE_TASK)


def _label(decision: Decision) -> str:
    if not decision.leading or decision.leading[0].severity != "critical":
        return _LABEL
    is_on = any(fact.name == IN_PLACE and fact.value is True for fact in decision.facts)
    return _CALL_WORN if is_on else _CALL
