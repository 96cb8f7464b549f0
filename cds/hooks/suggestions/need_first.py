"""Need before size: where a caution leads, a decision is offered first, never the order of a collar."""

from __future__ import annotations

from dataclasses import replace

from cds.fhir.writing.order_context import OrderContext
from cds.hooks.cards.budget import Offer
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.hooks.suggestions.order_set import care_orders
from rules.model.decision import Decision

_LABEL = "Ask whether a collar is needed"


def offers_need_first(
    offers: tuple[Offer, ...], decision: Decision, context: OrderContext, standing: StandingCare
) -> tuple[Offer, ...]:
    """``offers`` after the one that asks for the decision about need; as they are where nothing leads.

    What was offered stays possible and is no longer recommended. Where the decision about need is asked for already, nothing
    is offered: the order as the clinician wrote it stays possible.
    """
    if not decision.leading:
        return offers
    leading = {rule for caution in decision.leading for rule in caution.rules}
    tasks = tuple(task for task in decision.tasks if leading & set(task.rules))
    asking = care_orders(decision.model_copy(update={"tasks": tasks, "leaflets": ()}), context, standing)
    if not asking:
        return ()
    return (Offer(_LABEL, asking, recommended=True), *(replace(offer, recommended=False) for offer in offers))
