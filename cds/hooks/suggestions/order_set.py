"""What a suggestion does: the orders, the device and the care plan of a decision as actions of a CDS Hooks card."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence, Set

from cds.fhir.datatypes import Element, present
from cds.fhir.json_access import mapping, shown
from cds.fhir.writing.care_plan import care_plan, planned_tasks
from cds.fhir.writing.device_request import DEVICE
from cds.fhir.writing.identifiers import name_of, urn
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.patient_instructions import instruction_notes
from cds.fhir.writing.proposal import suggested
from cds.fhir.writing.request_common import named_rules
from cds.fhir.writing.service_request import FIT_COLLAR, ordered_tasks, task_service_request
from cds.hooks.suggestions.changeable import keeps_its_collar, why_unchangeable, with_true_narrative
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.hooks.suggestions.order_size import fate_of_size, what_changes, with_size
from cds.protocol.request import Resource
from cds.protocol.response import Action
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

_PLACE = {"ServiceRequest": FIT_COLLAR, "DeviceRequest": DEVICE}
"""Which of our resources a draft collar order of each type stands for."""


def whole_order_set(
    decision: Decision,
    context: OrderContext,
    ruleset: Ruleset,
    collar_orders: Sequence[Resource],
    standing: StandingCare,
    fitting: Callable[[Resource], Resource] = lambda order: order,
) -> tuple[Action, ...]:
    """Everything that ``decision`` asks for and that is not ``standing`` already.

    ``context`` says for whom orders are written. Those of ``collar_orders`` that can be changed get the size of the
    decision on the axes of ``ruleset``; what they lack is created. Beside one that keeps its collar no other is
    ordered: then only the care is created. ``fitting`` gives an order with an item that fits.
    """
    corrected = corrections(collar_orders, decision, context, ruleset, fitting)
    collar_orders = [fitting(order) for order in collar_orders]
    places = _taken_places(collar_orders, decision, context)
    barred = _barred(collar_orders, decision, context, ruleset)
    resources = suggested(decision, context)
    created = []
    for resource in resources:
        found = standing.reference_of(resource)
        if found is not None:
            places[name_of(resource)] = found
        elif name_of(resource) not in places and name_of(resource) not in barred:
            created.append(resource)
    rules = _rules_behind(resources, context)
    return (
        *corrected,
        *(_create(_pointing_to(_without(resource, barred - set(places)), places, rules)) for resource in created),
    )


def care_orders(decision: Decision, context: OrderContext, standing: StandingCare) -> tuple[Action, ...]:
    """What of ``decision`` nobody has ordered or planned yet, as ``standing`` tells, without the collar itself.

    These are its tasks, and the instructions for the patient where they stand in no plan. ``context`` says for whom
    they are written.
    """
    open_tasks = tuple(task for task in decision.tasks if not standing.covers_task(task.task))
    instructed = standing.holds_notes(each["text"] for each in instruction_notes(decision, context))
    leaflets = () if instructed else decision.leaflets
    decision = decision.model_copy(update={"tasks": open_tasks, "leaflets": leaflets})
    orders = [task_service_request(decision, task, context) for task in ordered_tasks(decision)]
    names = {name_of(order) for order in orders}
    plan = care_plan(decision, context)
    activities = [a for a in plan.get("activity", ()) if "reference" not in a or a["reference"]["reference"] in names]
    planned = bool(planned_tasks(decision) or decision.leaflets)
    resources = [*orders, *([present(**{**plan, "activity": activities})] if planned else [])]
    return tuple(map(_create, resources))


def corrections(
    collar_orders: Iterable[Resource],
    decision: Decision,
    context: OrderContext,
    ruleset: Ruleset,
    fitting: Callable[[Resource], Resource] = lambda order: order,
) -> tuple[Action, ...]:
    """Each of ``collar_orders`` with the size and the number of people of ``decision``; its id and all else kept.

    ``context`` has the codes in which orders state a size, on the axes of ``ruleset``. ``fitting`` gives an order with
    an item that fits.

    What of an order is replaced, its action says. Empty where the decision has no size. An order that cannot be changed
    is left out, and so is one that says it all already.
    """
    if decision.size_class is None:
        return ()
    corrected = (
        (order, fitted, with_size(fitted, decision, context, ruleset))
        for order, fitted in ((each, fitting(each)) for each in collar_orders)
        if why_unchangeable(order) is None and fate_of_size(fitted, decision, context, ruleset) != "by_hand"
    )
    return tuple(
        Action(
            type="update",
            description="; ".join([_described("Change", changed), *what_changes(fitted, decision, context, ruleset)]),
            resource=with_true_narrative(changed),
        )
        for order, fitted, changed in corrected
        if changed != order
    )


def _create(resource: Resource) -> Action:
    return Action(type="create", description=_described("Create", resource), resource=resource)


def _taken_places(orders: Iterable[Resource], decision: Decision, context: OrderContext) -> dict[str, str]:
    """Names of ours for which a draft stands, with the reference to the draft; the first draft of each type counts."""
    taken: dict[str, str] = {}
    if decision.size_class is not None:
        for order in orders:
            if why_unchangeable(order) is None and order["resourceType"] in _PLACE:
                name = urn(decision, context, _PLACE[order["resourceType"]])
                taken.setdefault(name, f"{order['resourceType']}/{order['id']}")
    return taken


def _barred(orders: Sequence[Resource], decision: Decision, context: OrderContext, ruleset: Ruleset) -> frozenset[str]:
    """Names of ours that are not created: those of the collar, where one of ``orders`` keeps its own."""
    if not any(keeps_its_collar(order, decision, context, ruleset) for order in orders):
        return frozenset()
    return frozenset(urn(decision, context, part) for part in _PLACE.values())


def _without(resource: Resource, names: Set[str]) -> Resource:
    """``resource`` without the activities that refer to one of ``names``."""
    if not names or "activity" not in resource:
        return resource
    kept = [each for each in resource["activity"] if mapping(each, "reference").get("reference") not in names]
    return present(**{**resource, "activity": kept})


def _rules_behind(resources: Sequence[Resource], context: OrderContext) -> dict[str, list[Element]]:
    """By the name of each order, the rules behind it. Those of the size go with the device, where the fitting has others."""
    rules = {name_of(each): named_rules(each, context.canonicals) for each in resources}
    of_size = [rule for each in resources if each["resourceType"] == "DeviceRequest" for rule in rules[name_of(each)]]
    for order in resources:
        if order["resourceType"] == "ServiceRequest":
            own = rules[name_of(order)]
            rules[name_of(order)] = [rule for rule in own if rule not in of_size] or own
    return rules


def _pointing_to(resource: Resource, places: Mapping[str, str], rules: Mapping[str, list[Element]]) -> Resource:
    """``resource`` with each reference to one of ours that is not created turned to what stands for it.

    What stands for it may be another's order, so the activity then names the ``rules`` of ours. Only the activities of a plan
    refer to resources of ours.
    """
    if not places or "activity" not in resource:
        return resource
    return {**resource, "activity": [_turned(activity, places, rules) for activity in resource["activity"]]}


def _turned(activity: Element, places: Mapping[str, str], rules: Mapping[str, list[Element]]) -> Element:
    name = activity["reference"]["reference"] if "reference" in activity else ""
    if name not in places:
        return activity
    return present(extension=rules[name], reference={"reference": places[name]})


def _described(verb: str, resource: Resource) -> str:
    if resource["resourceType"] == "CarePlan":
        return f"{verb} the care plan: {shown(resource.get('title', 'care'))}"
    coded = resource.get("code") or resource.get("codeCodeableConcept")
    words = coded.get("text") if isinstance(coded, dict) else None
    if resource["resourceType"] == "DeviceRequest" and isinstance(words, str):
        words = words.partition(": ")[0]  # The size by its code: in words it stands on the card and in the order.
    kind = {"DeviceRequest": "device", "ServiceRequest": "order"}.get(resource["resourceType"], "resource")
    named = shown(words) if isinstance(words, str) else ""
    return f"{verb} the {kind}: {named}" if named else f"{verb} the {kind}"
