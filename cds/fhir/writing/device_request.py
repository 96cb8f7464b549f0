"""The collar itself: a DeviceRequest with the size class as code and each axis as a parameter."""

from __future__ import annotations

from functools import lru_cache

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, Resource, coding, concept, present
from cds.fhir.writing.identifiers import urn
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.provenance import supporting_records
from cds.fhir.writing.request_common import opening, parties
from cds.fhir.writing.service_request import SIZE_CLASSES, alternates, size_rules
from rules.model.decision import Decision, SizeClass

SIZE_AXES = "size-axes"
SIZE_AXIS_VALUES = "size-axis-values"
DEVICE = "rigid-neck-collar"

_MOST_KEPT = 1024
"""Parameters that are kept as they are written; axes have far fewer values."""

_REQUESTERS = ("Device", "Practitioner", "PractitionerRole", "Organization")


def device_request(decision: Decision, context: OrderContext) -> Resource | None:
    """The collar of the size class of ``decision``, or None where the size is withheld; ``context`` says for whom."""
    size = decision.size_class
    if size is None:
        return None
    rules = size_rules(decision)
    used = supporting_records(decision, rules)
    return present(
        resourceType="DeviceRequest",
        **opening(decision, context, urn(decision, context, DEVICE), rules),
        codeCodeableConcept=device_concept(size, context),
        parameter=size_parameters(size, context),
        **parties(decision, context, _REQUESTERS),
        reasonReference=used.reason_references,
        supportingInfo=used.supporting_info,
        note=alternates(decision, context),
    )


def axis_value_code(axis: str, value: str) -> str:
    """The code of ``value`` on ``axis``; two axes may share a value's name."""
    return f"{code(axis)}.{code(value)}"


def device_concept(size: SizeClass, context: OrderContext) -> Element:
    """The collar of the size class ``size``, coded under the base of ``context`` and in words."""
    system = context.canonicals.code_system(SIZE_CLASSES)
    return concept(f"Rigid neck collar, {size.in_words}: {size.words}", coding(system, size.code))


def size_parameters(size: SizeClass, context: OrderContext) -> list[Element]:
    """One parameter for each axis of the size class ``size``, with codes under the base of ``context``."""
    return [_parameter(axis, value, context.canonicals) for axis, value in size.values.items()]


@lru_cache(_MOST_KEPT)
def _parameter(axis: str, value: str, urls: Canonicals) -> Element:
    """Shared: never to be changed."""
    name = coding(urls.code_system(SIZE_AXES), code(axis))
    found = coding(urls.code_system(SIZE_AXIS_VALUES), axis_value_code(axis, value))
    return {
        "code": concept(axis.replace("_", " "), name),
        "valueCodeableConcept": concept(value.replace("_", " "), found),
    }
