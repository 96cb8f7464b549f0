"""The size that a draft order states, and the same order with the size of a decision.

An order states a size by the parameters of a DeviceRequest (one an axis), or by a code of the project's own system for size
classes, in the code or the details of the order.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from typing import Any

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.json_access import codings, items
from cds.fhir.writing.device_request import (
    SIZE_AXES,
    SIZE_AXIS_VALUES,
    axis_value_code,
    device_concept,
    size_parameters,
)
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.request_common import PEOPLE_NEEDED, people_needed
from cds.fhir.writing.service_request import FIT_COLLAR, SIZE_CLASSES, fit_task, order_concept, size_concept
from cds.protocol.request import Resource
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset


def stated_size(order: Resource, ruleset: Ruleset, canonicals: Canonicals) -> dict[str, str]:
    """The value that ``order`` states on each axis; axes that it says nothing about are left out."""
    stated: dict[str, str] = {}
    for coding in codings([order.get("codeCodeableConcept"), *items(order, "orderDetail")]):
        if coding.get("system") == canonicals.code_system(SIZE_CLASSES):
            stated |= _read_size_class(coding.get("code"), ruleset)
    values = {
        axis_value_code(axis.name, value): (axis.name, value) for axis in ruleset.axes.values() for value in axis.values
    }
    concepts = [part.get("valueCodeableConcept") for part in items(order, "parameter") if isinstance(part, dict)]
    for coding in codings(concepts):
        if coding.get("system") == canonicals.code_system(SIZE_AXIS_VALUES) and coding.get("code") in values:
            axis, value = values[coding["code"]]
            stated[axis] = value
    return stated


def with_size(order: Resource, decision: Decision, context: OrderContext) -> Resource:
    """``order`` as it was sent, its id and everything else kept, with the size class of ``decision``.

    A ServiceRequest gets it as a detail, and the number of people from the order that we would write; a DeviceRequest as its
    parameters. An earlier size of our systems is replaced. Raises ValueError where the decision has no size.
    """
    size = decision.size_class
    if size is None:
        raise ValueError("a decision without a size cannot correct an order")
    corrected = copy.deepcopy(order)
    urls = context.canonicals
    if order["resourceType"] == "DeviceRequest":
        others = [part for part in items(order, "parameter") if not _has_system(part, urls.code_system(SIZE_AXES))]
        corrected["parameter"] = [*others, *size_parameters(size, context)]
        if "codeReference" not in order and (
            not order.get("codeCodeableConcept") or _states_size(order["codeCodeableConcept"], urls)
        ):
            corrected["codeCodeableConcept"] = device_concept(size, context)
    else:
        others = [part for part in items(order, "orderDetail") if not _states_size(part, urls)]
        corrected["orderDetail"] = [*others, size_concept(size, context)]
        corrected.setdefault("code", order_concept(FIT_COLLAR, context))
        task = fit_task(decision)
        if task is not None:
            url = urls.extension(PEOPLE_NEEDED)
            kept = [part for part in items(order, "extension") if not _is_extension(part, url)]
            corrected["extension"] = [*kept, people_needed(task.people, urls)]
    return corrected


def people_stated(order: Resource, canonicals: Canonicals) -> int | None:
    """How many people ``order`` asks for, or None where it does not say."""
    for part in items(order, "extension"):
        if _is_extension(part, canonicals.extension(PEOPLE_NEEDED)):
            value = part.get("valuePositiveInt")
            return value if isinstance(value, int) and not isinstance(value, bool) else None
    return None


def _read_size_class(written: object, ruleset: Ruleset) -> Mapping[str, str]:
    """The axes of a size class in its short form; an axis whose usual value is not written has that value."""
    if not isinstance(written, str):
        return {}
    words = {value: axis.name for axis in ruleset.axes.values() for value in axis.values}
    tokens = written.split()
    if not tokens or any(token not in words for token in tokens):
        return {}
    silent = {axis.name: axis.silent for axis in ruleset.axes.values() if axis.silent is not None}
    return silent | {words[token]: token for token in tokens}


def _has_system(parameter: Any, system: str) -> bool:
    return isinstance(parameter, dict) and any(c.get("system") == system for c in codings([parameter.get("code")]))


def _states_size(concept: Any, urls: Canonicals) -> bool:
    return any(coding.get("system") == urls.code_system(SIZE_CLASSES) for coding in codings([concept]))


def _is_extension(part: Any, url: str) -> bool:
    return isinstance(part, dict) and part.get("url") == url
