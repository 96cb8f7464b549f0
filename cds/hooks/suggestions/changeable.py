"""Which orders can be sent back changed, and why another one cannot: somebody has to put that one right by hand."""

from __future__ import annotations

import re
from collections.abc import Iterator

from cds.fhir.json_access import mapping, shown, text
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.service_request import fit_task
from cds.hooks.suggestions.order_size import fate_of_size
from cds.protocol.request import Resource
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_FHIR_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
"""FHIR R4, datatypes: id."""
_WRITTEN_FROM_DATA = ("generated", "extensions")
"""FHIR R4, NarrativeStatus: all that the narrative says stands in the data too."""


def has_usable_id(resource: Resource) -> bool:
    """Whether ``resource`` has an id by which it can be referred to and updated."""
    identity = resource.get("id")
    return isinstance(identity, str) and _FHIR_ID.fullmatch(identity) is not None


def why_unchangeable(order: Resource) -> str | None:
    """Why ``order`` cannot be sent back changed, as the end of a sentence; None where it can.

    An update of CDS Hooks carries the whole order under its own id.
    """
    if str(order.get("id")).startswith("#"):
        return "it stands within another order"
    if not has_usable_id(order):
        return "its id is not a FHIR id" if "id" in order else "it has no id"
    modifier = unknown_modifier(order)
    if modifier is not None:
        return f"it carries {modifier}, which may change its meaning"
    status = mapping(order, "text").get("status")
    return None if status in (*_WRITTEN_FROM_DATA, "empty", None) else "its narrative may say more than its data"


def unknown_modifier(order: Resource) -> str | None:
    """What in ``order`` may change its meaning in a way that is not known here: the element, and what it names.

    FHIR R4, Extensibility: an element with a modifier extension that is not understood must not be processed.
    """
    if order.get("implicitRules"):
        return f"implicitRules {shown(order['implicitRules'])}"
    found = next(_modifier_extensions({key: value for key, value in order.items() if key != "contained"}), None)
    return None if found is None else f"modifierExtension {shown(text(found, 'url') or '')}".rstrip()


def _modifier_extensions(value: object) -> Iterator[object]:
    """The modifier extensions in ``value``, at any depth."""
    if isinstance(value, dict):
        found = value.get("modifierExtension")
        if found:
            yield found[0] if isinstance(found, list) else found
        for part in value.values():
            yield from _modifier_extensions(part)
    elif isinstance(value, list):
        for part in value:
            yield from _modifier_extensions(part)


def with_true_narrative(changed: Resource) -> Resource:
    """``changed`` without a narrative that was written from the data as they were; whoever shows it writes a new one.

    FHIR R4, Narrative: one that is generated says what the data say, and a resource may have none.
    """
    if mapping(changed, "text").get("status") not in _WRITTEN_FROM_DATA:
        return changed
    return {key: value for key, value in changed.items() if key != "text"}


def keeps_its_collar(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> bool:
    """Whether ``order`` orders the collar as it stands, so that no other is ordered beside it.

    So it is where it cannot be sent back changed, or does not get the size of ``decision``; never where that has none.
    ``context`` has the codes in which it states a size, on the axes of ``ruleset``.
    """
    if decision.size_class is None:
        return False
    return why_unchangeable(order) is not None or fate_of_size(order, decision, context, ruleset) != "replaced"


def by_hand(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> str | None:
    """What somebody has to change in ``order`` by hand, as sentences, so that it says what ``decision`` does.

    None where it can be sent back changed. ``context`` has the codes in which it states a size, on the axes of
    ``ruleset``.
    """
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
