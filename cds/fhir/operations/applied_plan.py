"""The answer of ``PlanDefinition/$apply``: the CarePlan of a decision in one piece, with everything that it refers to inside.

Source: FHIR R4 (4.0.1), PlanDefinition, Applying a PlanDefinition, http://hl7.org/fhir/R4/plandefinition.html: a CarePlan
whose activity is a RequestGroup over the resources that the actions led to.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from cds.fhir.datatypes import Element, Resource, present
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import order_set
from cds.fhir.writing.request_common import named_rules, note
from rules.model.decision import Decision

DECEASED = "The record says that this patient has died: check that it is the right patient."


def applied_plan(decision: Decision, context: OrderContext, *, deceased: bool = False) -> Resource:
    """The CarePlan of ``decision`` with its orders and the RequestGroup over them contained: what a hook suggests in pieces.

    With ``deceased`` it says so before everything else. ``context`` says for whom it is written.
    """
    *requests, plan = order_set(decision, context)
    places = {name_of(each): _place(number, each) for number, each in enumerate(requests, 1)}
    inside = [{"id": places[name_of(each)], **_pointing_inside(each, places)} for each in requests]
    planned = [activity for activity in plan.get("activity", ()) if "reference" not in activity]
    ordered = [_of_group(each, context) for each in inside if each["resourceType"] == "RequestGroup"]
    doubt = [note(decision, DECEASED, context)] if deceased else []
    return plan | present(
        contained=[*plan.get("contained", ()), *inside],
        activity=[*ordered, *planned],
        note=[*doubt, *plan.get("note", ())],
    )


def _place(number: int, request: Resource) -> str:
    return "order-set" if request["resourceType"] == "RequestGroup" else f"order-{number}"


def _pointing_inside(value: Any, places: Mapping[str, str]) -> Any:
    """``value`` with each reference to a resource of ours turned to where it is contained."""
    if isinstance(value, list):
        return [_pointing_inside(each, places) for each in value]
    if not isinstance(value, dict):
        return value
    place = places.get(value["reference"]) if isinstance(value.get("reference"), str) else None
    if place is not None:
        return {"reference": f"#{place}", "type": value["type"]}
    return {name: _pointing_inside(element, places) for name, element in value.items()}


def _of_group(group: Resource, context: OrderContext) -> Element:
    return {
        "extension": named_rules(group, context.canonicals),
        "reference": {"reference": f"#{group['id']}", "type": "RequestGroup"},
    }
