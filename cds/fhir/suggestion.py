"""Everything that is written for one decision, in one piece: the orders, the device and the care plan that refers to them."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.careplan import care_plan
from cds.fhir.context import OrderContext
from cds.fhir.datatypes import Resource
from cds.fhir.device import device_request
from cds.fhir.identity import name_of
from cds.fhir.orders import service_requests
from rules.decision import Decision


def suggested(decision: Decision, context: OrderContext) -> list[Resource]:
    """The resources to create, those first that others refer to; the care plan stands last."""
    device = device_request(decision, context)
    return [*service_requests(decision, context), *([device] if device else []), care_plan(decision, context)]


def as_bundle(resources: Iterable[Resource]) -> Resource:
    """``resources`` of ours as a collection Bundle, in which the references between them resolve."""
    entries = [{"fullUrl": name_of(resource), "resource": resource} for resource in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}
