"""Everything that is written for one decision, in one piece: the orders, the device and the care plan that refers to them."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.datatypes import Resource
from cds.fhir.writing.care_plan import care_plan
from cds.fhir.writing.device_request import device_request
from cds.fhir.writing.identifiers import name_of
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.request_group import request_group
from cds.fhir.writing.service_request import service_requests
from rules.model.decision import Decision


def suggested(decision: Decision, context: OrderContext) -> list[Resource]:
    """The resources of ``decision`` to create, those first that others refer to; the care plan stands last.

    ``context`` says for whom, and at whose request, they are written.
    """
    device = device_request(decision, context)
    return [*service_requests(decision, context), *([device] if device else []), care_plan(decision, context)]


def order_set(decision: Decision, context: OrderContext) -> list[Resource]:
    """What of ``decision`` is ``suggested``, and the RequestGroup over its orders, for systems that take orders as a group.

    ``context`` says for whom, and at whose request, they are written.
    """
    *orders, plan = suggested(decision, context)
    group = request_group(decision, context, orders)
    return [*orders, *([group] if group else []), plan]


def as_bundle(resources: Iterable[Resource]) -> Resource:
    """``resources`` of ours as a collection Bundle, in which the references between them resolve."""
    entries = [{"fullUrl": name_of(resource), "resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}
