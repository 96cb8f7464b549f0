"""The sizes that a draft order states, and the same order with the size of a decision.

An order states a size by the parameters of a DeviceRequest (one an axis), by a code of the project's own system for size
classes, in the code or the details of the order, or in words there.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.json_access import codings, items, mapping, text
from cds.fhir.visible_text import visible
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
from cds.hooks.suggestions.size_words import is_only_a_size, sizes_in_words
from cds.protocol.request import Resource
from rules.model.decision import Decision, SizeClass
from rules.model.ruleset import Ruleset

Fate = Literal["replaced", "kept", "by_hand"]
_LONGEST_QUOTED = 200


@dataclass(frozen=True)
class StatedSize:
    """One size that an order states: the value of each axis that it writes out, and the usual values that it leaves unsaid.

    ``in_name`` says that it stands in what the order is called, which nobody can change but who chose the order.
    """

    values: Mapping[str, str]
    unsaid: Mapping[str, str]
    in_name: bool = False


def stated_sizes(order: Resource, ruleset: Ruleset, canonicals: Canonicals) -> list[StatedSize]:
    """Every size that ``order`` states, in words first, then by size classes, then by parameters.

    Words and values are those of the axes of ``ruleset``, codes those under ``canonicals``.
    """
    name = order.get("codeCodeableConcept") if order.get("resourceType") == "DeviceRequest" else order.get("code")
    ours = order.get("resourceType") == "DeviceRequest" and _states_size(name, canonicals)
    details = items(order, "orderDetail")
    parameters = [part for part in items(order, "parameter") if isinstance(part, dict)]
    values = [part.get("valueCodeableConcept") for part in parameters]
    device = {"text": mapping(order, "codeReference").get("display")}
    return [
        *(size for concept in (name, device) for size in _in_words(concept, ruleset, in_name=not ours)),
        *(size for concept in (*details, *values) for size in _in_words(concept, ruleset)),
        *_by_classes([order.get("codeCodeableConcept"), *details], ruleset, canonicals),
        *_by_parameters(values, ruleset, canonicals),
    ]


def values_stated(order: Resource, ruleset: Ruleset, canonicals: Canonicals) -> list[tuple[str, str]]:
    """Each axis and value of ``ruleset`` that ``order`` states in words or by codes under ``canonicals``, once.

    A usual value that is left unsaid counts where none is written.
    """
    return _pairs(stated_sizes(order, ruleset, canonicals))


def stated_size(order: Resource, ruleset: Ruleset, canonicals: Canonicals) -> dict[str, str]:
    """The value that ``order`` states on each axis of ``ruleset``, the last where it states several.

    Axes that it leaves open are left out. Codes are those under ``canonicals``.
    """
    return dict(values_stated(order, ruleset, canonicals))


def contradicts(axis: str, value: str, decision: Decision) -> bool:
    """Whether ``decision`` speaks against ``value`` on ``axis``.

    What rests on assumptions alone contradicts nobody who saw the patient.
    """
    decided = decision.axes[axis]
    return decided.confidence != "assumed" and bool(decided.candidates) and value not in decided.candidates


def fate_of_size(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> Fate:
    """What becomes of the sizes that ``order`` states where it gets that of ``decision``, which has one.

    ``replaced``: they say less, the same, or what is contradicted. ``kept``: they differ, and nothing speaks against
    them. ``by_hand``: one is contradicted, and what the order is called states a size. ``context`` has the codes in
    which an order states a size, on the axes of ``ruleset``.
    """
    size = decision.size_class
    assert size is not None
    stated = stated_sizes(order, ruleset, context.canonicals)
    written = {axis for each in stated for axis in each.values}
    differing = [
        each
        for each in stated
        if any(size.values[axis] != value for axis, value in each.values.items())
        or any(size.values[axis] != value for axis, value in each.unsaid.items() if axis not in written)
    ]
    if not any(contradicts(axis, value, decision) for axis, value in _pairs(stated)):
        return "kept" if differing else "replaced"
    return "by_hand" if any(each.in_name for each in differing) else "replaced"


def with_size(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> Resource:
    """``order`` as it was sent, its id and everything else kept, with the size class of ``decision``.

    A ServiceRequest gets it as a detail, and the number of people from the order that we would write, unless it asks
    for more; a DeviceRequest as its parameters. What the order states of a size is replaced; where it is to be kept, or
    stands in the name of the order, the size stays as it is. ``context`` has the codes in which it is written, on the
    axes of ``ruleset``. Raises ValueError where the decision has no size.
    """
    size = decision.size_class
    if size is None:
        raise ValueError("a decision without a size cannot correct an order")
    corrected = copy.deepcopy(order)
    urls, sized = context.canonicals, fate_of_size(order, decision, context, ruleset) == "replaced"
    if order["resourceType"] == "DeviceRequest":
        if sized:
            others = [part for part in items(corrected, "parameter") if not _is_replaced(part, size, ruleset, urls)]
            corrected["parameter"] = [*others, *size_parameters(size, context)]
            if "codeReference" not in order and (
                not order.get("codeCodeableConcept") or _states_size(order["codeCodeableConcept"], urls)
            ):
                corrected["codeCodeableConcept"] = device_concept(size, context)
        return corrected
    if sized:
        kept = [_beside_the_size(part, size, ruleset, urls) for part in items(corrected, "orderDetail")]
        corrected["orderDetail"] = [*(part for part in kept if part is not None), size_concept(size, context)]
        corrected.setdefault("code", order_concept(FIT_COLLAR, context))
    task = fit_task(decision)
    if task is not None and (people_stated(order, urls) or 0) < task.people:
        url = urls.extension(PEOPLE_NEEDED)
        others = [part for part in items(order, "extension") if not _is_extension(part, url)]
        corrected["extension"] = [*others, people_needed(task.people, urls)]
    return corrected


def what_changes(order: Resource, decision: Decision, context: OrderContext, ruleset: Ruleset) -> list[str]:
    """What ``with_size`` replaces of what somebody wrote in ``order``, each as ``OLD becomes NEW``; no addition.

    ``decision``, ``context`` and ``ruleset`` are those of ``with_size``. Empty where the decision has no size.
    """
    size, urls = decision.size_class, context.canonicals
    if size is None:
        return []
    said: list[str] = []
    if fate_of_size(order, decision, context, ruleset) == "replaced":
        name = order.get("codeCodeableConcept")
        written = [
            *([name] if _states_size(name, urls) and not _agrees(name, size, ruleset, urls) else []),
            *(
                part
                for part in items(order, "orderDetail")
                if _states_any(part, ruleset, urls) and not _agrees(part, size, ruleset, urls)
            ),
            *(
                part["valueCodeableConcept"]
                for part in items(order, "parameter")
                if _is_replaced(part, size, ruleset, urls)
                and "valueCodeableConcept" in part
                and not _agrees(part["valueCodeableConcept"], size, ruleset, urls)
            ),
        ]
        old = dict.fromkeys(filter(None, (_quoted(concept, urls) for concept in written)))
        said += [f"{', '.join(old)} becomes {size.in_words}"] if old else []
    task, people = fit_task(decision), people_stated(order, urls)
    if task is not None and order["resourceType"] != "DeviceRequest" and people is not None and people < task.people:
        said.append(f"people for the fitting: {people} becomes {task.people}")
    return said


def people_stated(order: Resource, canonicals: Canonicals) -> int | None:
    """How many people ``order`` asks for, by our extension under ``canonicals``, or None where it does not say."""
    for part in items(order, "extension"):
        if _is_extension(part, canonicals.extension(PEOPLE_NEEDED)):
            value = part.get("valuePositiveInt")
            return value if isinstance(value, int) and not isinstance(value, bool) else None
    return None


def _pairs(stated: list[StatedSize]) -> list[tuple[str, str]]:
    """Each axis and value of the sizes ``stated``, once; what is left unsaid counts where none writes that axis out."""
    written = {axis for size in stated for axis in size.values}
    pairs = [
        *(pair for size in stated for pair in size.values.items()),
        *((axis, value) for size in stated for axis, value in size.unsaid.items() if axis not in written),
    ]
    return list(dict.fromkeys(pairs))


def _usual(ruleset: Ruleset) -> dict[str, str]:
    """The value of each axis that a size class leaves unsaid."""
    return {axis.name: axis.silent for axis in ruleset.axes.values() if axis.silent is not None}


def _in_words(concept: object, ruleset: Ruleset, *, in_name: bool = False) -> Iterator[StatedSize]:
    """The sizes that the words of a CodeableConcept state; one that names every axis leaves the usual values unsaid."""
    silent = _usual(ruleset)
    for words in dict.fromkeys(_texts(concept)):
        for values in sizes_in_words(words, ruleset.axes):
            whole = set(ruleset.axes) <= set(silent) | set(values)
            unsaid = {axis: value for axis, value in silent.items() if whole and axis not in values}
            yield StatedSize(values, unsaid, in_name)


def _texts(concept: object) -> Iterator[str]:
    """The words of a CodeableConcept: its text, and what its codings display."""
    yield from filter(
        None, (text(each, key) for each, key in [(concept, "text"), *((c, "display") for c in codings([concept]))])
    )


def _by_classes(concepts: list[Any], ruleset: Ruleset, canonicals: Canonicals) -> Iterator[StatedSize]:
    for coding in codings(concepts):
        if coding.get("system") == canonicals.code_system(SIZE_CLASSES):
            yield from _read_size_class(coding.get("code"), ruleset)


def _by_parameters(concepts: list[Any], ruleset: Ruleset, canonicals: Canonicals) -> Iterator[StatedSize]:
    values = {
        axis_value_code(axis.name, value): (axis.name, value) for axis in ruleset.axes.values() for value in axis.values
    }
    for coding in codings(concepts):
        if coding.get("system") == canonicals.code_system(SIZE_AXIS_VALUES) and coding.get("code") in values:
            axis, value = values[coding["code"]]
            yield StatedSize({axis: value}, {})


def _read_size_class(written: object, ruleset: Ruleset) -> Iterator[StatedSize]:
    """The axes of a size class in its short form; an axis whose usual value is not written has that value."""
    words = {value: axis.name for axis in ruleset.axes.values() for value in axis.values}
    tokens = written.split() if isinstance(written, str) else []
    if tokens and all(token in words for token in tokens):
        values = {words[token]: token for token in tokens}
        silent = _usual(ruleset)
        yield StatedSize(values, {axis: value for axis, value in silent.items() if axis not in values})


def _of_concept(concept: object, ruleset: Ruleset, urls: Canonicals) -> list[StatedSize]:
    return [
        *_in_words(concept, ruleset),
        *_by_classes([concept], ruleset, urls),
        *_by_parameters([concept], ruleset, urls),
    ]


def _states_any(concept: object, ruleset: Ruleset, urls: Canonicals) -> bool:
    return _states_size(concept, urls) or bool(_of_concept(concept, ruleset, urls))


def _agrees(concept: object, size: SizeClass, ruleset: Ruleset, urls: Canonicals) -> bool:
    """Whether each size that ``concept`` states is ``size``, as far as it goes."""
    return all(
        size.values[axis] == value
        for stated in _of_concept(concept, ruleset, urls)
        for axis, value in {**stated.unsaid, **stated.values}.items()
    )


def _beside_the_size(part: Any, size: SizeClass, ruleset: Ruleset, urls: Canonicals) -> Any | None:
    """What stays of a detail beside the coded ``size``: all of it, only the words that somebody wrote, or nothing (None)."""
    if not _states_any(part, ruleset, urls):
        return part
    words = text(part, "text")
    if (
        words is None
        or _is_ours(part, urls)
        or is_only_a_size(words, ruleset.axes)
        or not _agrees(part, size, ruleset, urls)
    ):
        return None
    others = [each for each in items(part, "coding") if not _states_size({"coding": [each]}, urls)]
    return {**{key: value for key, value in part.items() if key != "coding"}, **({"coding": others} if others else {})}


def _is_replaced(parameter: Any, size: SizeClass, ruleset: Ruleset, urls: Canonicals) -> bool:
    """Whether a parameter makes way for those of ``size``: one of our axes, or one whose words state another size."""
    if not isinstance(parameter, dict):
        return False
    axes = urls.code_system(SIZE_AXES)
    if any(each.get("system") == axes for each in codings([parameter.get("code")])):
        return True
    return not _agrees(parameter.get("valueCodeableConcept"), size, ruleset, urls)


def _quoted(concept: object, urls: Canonicals) -> str | None:
    """What somebody wrote in ``concept``; of a size class in our words its code."""
    words = None if _is_ours(concept, urls) else text(concept, "text")
    codes = (text(each, "code") for each in codings([concept]) if each.get("system") == urls.code_system(SIZE_CLASSES))
    written = words or next(filter(None, codes), None) or next(_texts(concept), None) or _any_code(concept)
    return None if written is None else _shortened(" ".join(visible(written.replace("_", " ")).split()))


def _any_code(concept: object) -> str | None:
    return next(filter(None, (text(each, "code") for each in codings([concept]))), None)


def _shortened(words: str) -> str:
    return words if len(words) <= _LONGEST_QUOTED else words[: _LONGEST_QUOTED - 1] + "…"


def _is_ours(concept: object, urls: Canonicals) -> bool:
    """Whether the text of ``concept`` is the one that we write to its size class."""
    words, system = text(concept, "text") or "", urls.code_system(SIZE_CLASSES)
    codes = (text(each, "code") for each in codings([concept]) if each.get("system") == system)
    return any(f"{code.replace('_', ' ')}: " in words for code in codes if code)


def _states_size(concept: Any, urls: Canonicals) -> bool:
    return any(coding.get("system") == urls.code_system(SIZE_CLASSES) for coding in codings([concept]))


def _is_extension(part: Any, url: str) -> bool:
    return isinstance(part, dict) and part.get("url") == url
