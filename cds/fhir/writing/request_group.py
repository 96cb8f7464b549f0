"""The order set: one RequestGroup over the orders of a decision, for systems that take a group rather than single orders."""

from __future__ import annotations

from collections.abc import Sequence

from cds.fhir.datatypes import Element, Resource, present, text
from cds.fhir.writing.identifiers import name_of, reference_to, urn
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.request_common import named_rules, opening, parties
from rules.model.decision import Decision

REQUEST_GROUP = "request-group"

_AUTHORS = ("Device", "Practitioner", "PractitionerRole")


def request_group(decision: Decision, context: OrderContext, orders: Sequence[Resource]) -> Resource | None:
    """The RequestGroup over ``orders`` (the ServiceRequests and the DeviceRequest of ``decision``), or None without any.

    ``context`` says for whom, and at whose request, it is written. The collar and its fitting are one action whose
    parts are chosen together; of the others any may be chosen. R4 asks each action for a resource or for parts, so what
    is only planned stands in the care plan.
    """
    if not orders:
        return None
    rules = dict.fromkeys(each["valueCode"] for order in orders for each in named_rules(order, context.canonicals))
    who = parties(decision, context, _AUTHORS)
    requester = who.pop("requester", None)
    return present(
        resourceType="RequestGroup",
        **opening(decision, context, urn(decision, context, REQUEST_GROUP), rules),
        priority="stat" if any(order.get("priority") == "stat" for order in orders) else None,
        **who,
        author=requester,
        action=[{"selectionBehavior": "any", **_group("Care in a rigid neck collar", _actions(orders))}],
    )


def _actions(orders: Sequence[Resource]) -> list[Element]:
    devices = [order for order in orders if order["resourceType"] == "DeviceRequest"]
    services = [_action(order) for order in orders if order["resourceType"] != "DeviceRequest"]
    if not devices:
        return services
    # The fitting stands first among the services, and a device is ordered only together with it.
    together = _group("Collar and fitting", [services[0], *map(_action, devices)])
    return [{"selectionBehavior": "all", **together}, *services[1:]]


def _group(title: str, actions: list[Element]) -> Element:
    return {"title": title, "groupingBehavior": "logical-group", "action": actions}


def _action(order: Resource) -> Element:
    said = order.get("code") or order["codeCodeableConcept"]
    return present(
        title=text(said["text"]),
        priority=order.get("priority"),
        code=[said],
        timingTiming=order.get("occurrenceTiming"),
        precheckBehavior="yes",
        resource=reference_to(name_of(order), order["resourceType"]),
    )
