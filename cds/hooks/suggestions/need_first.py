"""Before size: where a caution leads, a call or a decision is offered first, never the order of a collar."""

from __future__ import annotations

from dataclasses import replace

from cds.fhir.writing.order_context import OrderContext
from cds.hooks.cards.budget import Offer
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.hooks.suggestions.order_set import care_orders
from rules.model.decision import Decision

_LABEL = "Ask whether a collar is needed"
_CALL = "Call now, before any collar"


def offers_need_first(
    offers: tuple[Offer, ...], decision: Decision, context: OrderContext, standing: StandingCare
) -> tuple[Offer, ...]:
    """``offers`` after the one that calls in an emergency or asks for the decision about need; as they are where nothing leads.

    What was offered stays possible and is no longer recommended. Where the call or the decision is asked for already, nothing
    is offered: the order as the clinician wrote it stays possible.
    """
    if not decision.leading:
        return offers
    leading = {rule for caution in decision.leading for rule in caution.rules}
    tasks = tuple(task for task in decision.tasks if leading & set(task.rules))
    asking = care_orders(decision.model_copy(update={"tasks": tasks, "leaflets": ()}), context, standing)
    if not asking:
        return ()
    label = _CALL if decision.leading[0].severity == "critical" else _LABEL
    return (Offer(label, asking, recommended=True), *(replace(offer, recommended=False) for offer in offers))
