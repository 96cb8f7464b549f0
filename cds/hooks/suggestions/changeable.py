"""Which orders can be sent back changed, and why another one cannot: somebody has to put that one right by hand."""

from __future__ import annotations

import re

from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.service_request import fit_task
from cds.hooks.suggestions.order_size import fate_of_size
from cds.protocol.request import Resource
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_FHIR_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
"""FHIR R4, datatypes: id."""


def has_usable_id(resource: Resource) -> bool:
    """Whether ``resource`` has an id by which it can be referred to and updated."""
    identity = resource.get("id")
    return isinstance(identity, str) and _FHIR_ID.fullmatch(identity) is not None


def why_unchangeable(order: Resource) -> str | None:
    """Why ``order`` cannot be sent back changed, as the end of a sentence; None where it can.

    An update of CDS Hooks carries the whole order under its own id.
    """
    if not has_usable_id(order):
        return "its id is no FHIR id" if "id" in order else "it has no id"
    return None


def keeps_its_collar(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> bool:
    """Whether ``order`` orders the collar as it stands, so that no other is ordered beside it.

    So it is where it cannot be sent back changed, or does not get the size of ``decision``; never where that has none.
    """
    if decision.size_class is None:
        return False
    return why_unchangeable(order) is not None or fate_of_size(order, decision, context, ruleset) != "replaced"


def by_hand(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> str | None:
    """What somebody has to change in ``order`` by hand, as sentences; None where it can be sent back changed."""
    why = why_unchangeable(order)
    if why is None and decision.size_class is not None and fate_of_size(order, decision, context, ruleset) == "by_hand":
        why = "its name states the size"
    if why is None:
        return None
    task = fit_task(decision)
    wanted = [
        *([decision.size_class.in_words] if decision.size_class is not None else []),
        *([f"{task.people} people for the fitting"] if task is not None and task.people > 1 else []),
    ]
    return (
        f"This order cannot be changed from here: {why}. By hand, change it to: {', '.join(wanted)}."
        if wanted
        else None
    )
