"""A validator made of nothing but the official definitions of FHIR R4 (4.0.1), as ``distil.py`` took them over.

It checks structure, cardinality, primitive formats, required bindings, the types that references may name, and the
invariants, which it hands to an independent FHIRPath engine as they stand. It knows nothing of our own code.
"""

import json
import re
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import fhirpathpy
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

R4 = json.loads(Path(__file__).with_name("r4.json").read_text())
TYPES: dict[str, dict[str, Any]] = R4["types"]
PRIMITIVES: dict[str, str | None] = R4["primitives"]

# Invariants that are not FHIRPath (txt-: a task for an XHTML parser), or that use ``as()`` on a list, which FHIRPath
# does not allow and the engine refuses (dom-3: in Python below).
NOT_EVALUATED = frozenset({"txt-1", "txt-2", "dom-3"})

# A reference by display alone is sound in R4, and makes ref-1 neither true nor false. Elsewhere that is a fault.
_MAY_BE_OPEN = frozenset({"ref-1"})

_NUMBERS = {"decimal": (int, float), "integer": (int,), "positiveInt": (int,), "unsignedInt": (int,)}
_RESOURCE_PARENTS = ("Resource", "DomainResource")


def problems(resource: dict[str, Any], *, warnings: bool = False) -> list[str]:
    """Everything that is wrong with ``resource``, each with its path; with the official warnings where asked for."""
    kind = resource.get("resourceType")
    if kind not in TYPES:
        return [f"{kind}: not one of the resource types that were taken over; see distil.py"]
    return list(_Check(resource, resource, warnings).resource(resource, kind))


class _Check:
    """One resource, and the resource that contains it (itself, mostly)."""

    def __init__(self, resource: dict[str, Any], root: dict[str, Any], warnings: bool) -> None:
        self.variables = {"resource": resource, "rootResource": root}
        self.root = root
        self.warnings = warnings

    def resource(self, value: dict[str, Any], place: str) -> Iterator[str]:
        kind = value["resourceType"]
        if "id" in value and not re.fullmatch(PRIMITIVES["id"] or "", str(value["id"])):
            yield f"{place}.id: {value['id']!r} is not an id"
        body = {name: element for name, element in value.items() if name != "resourceType"}
        yield from self.element(body, TYPES[kind], kind, place, whole=value)
        for contained in value.get("contained") or ():
            own = f"#{contained.get('id')}"
            if own not in _strings(body) and "#" not in _strings(contained):
                yield f"{place}: dom-3: the contained resource {own} is not referred to"

    def element(self, value: Any, type_: dict[str, Any], path: str, place: str, whole: Any = None) -> Iterator[str]:
        """An object: its parts against the children of ``path`` in ``type_``, then its invariants."""
        if not isinstance(value, dict):
            yield f"{place}: expected an object, found {value!r}"
            return
        if not value:
            yield f"{place}: ele-1: an object must not be empty"
            return
        if path == "Extension" and ("extension" in value) == any(name.startswith("value") for name in value):
            yield f"{place}: ext-1: must have either extensions or a value[x], not both"
        left = dict(value)
        for child, definition in _children(type_, path):
            yield from self.child(left, type_, child, definition, place)
        yield from (f"{place}.{name}: no element of this name" for name in left)
        yield from self.invariants(type_[path], path, value if whole is None else whole, place)

    def child(
        self, left: dict[str, Any], type_: dict[str, Any], path: str, definition: dict[str, Any], place: str
    ) -> Iterator[str]:
        """Take one element (or each form of a choice) out of ``left`` and check it."""
        name = path.rsplit(".", 1)[1]
        found = 0
        for key, kind in _forms(name, definition):
            shadow = left.pop(f"_{key}", None)
            if key not in left and shadow is None:
                continue
            found += 1
            value = left.pop(key, None)
            if key == "div":
                continue
            if shadow is not None:
                yield f"{place}._{key}: extensions of primitive values are not used here"
            yield from self.values(value, type_, path, definition, kind, f"{place}.{key}")
        if found < definition["min"]:
            yield f"{place}.{name}: required and missing"
        if found > 1:
            yield f"{place}.{name}: only one form may be given"

    def values(
        self, value: Any, type_: dict[str, Any], path: str, definition: dict[str, Any], kind: str | None, place: str
    ) -> Iterator[str]:
        """One value, or a list of them where the element may repeat."""
        if definition["max"] == "0":
            yield f"{place}: not allowed"
        if definition["max"] in ("0", "1"):
            yield from self.value(value, type_, path, definition, kind, place)
        elif not isinstance(value, list) or not value:
            yield f"{place}: expected a list with at least one entry, found {value!r}"
        else:
            for index, item in enumerate(value):
                yield from self.value(item, type_, path, definition, kind, f"{place}[{index}]")

    def value(
        self, value: Any, type_: dict[str, Any], path: str, definition: dict[str, Any], kind: str | None, place: str
    ) -> Iterator[str]:
        if "same_as" in definition:
            yield from self.element(value, type_, definition["same_as"], place)
        elif kind in PRIMITIVES:
            yield from _primitive(value, str(kind), definition, place)
        elif kind in ("BackboneElement", "Element"):
            yield from self.element(value, type_, path, place)
        elif kind == "Resource":
            yield from self.inner_resource(value, place)
        elif kind in TYPES:
            yield from self.element(value, TYPES[kind], kind, place)
            if isinstance(value, dict):
                yield from self.invariants(definition, path, value, place)
                yield from _bound(value, kind, definition, place)
        else:
            yield f"{place}: type {kind} was not taken over; see distil.py"

    def inner_resource(self, value: Any, place: str) -> Iterator[str]:
        """A contained resource (its root is ours), or an entry of a Bundle or of Parameters (a root of its own)."""
        if not isinstance(value, dict) or value.get("resourceType") not in TYPES:
            yield f"{place}: not a resource of a known type"
            return
        root = self.root if ".contained" in place else value
        yield from _Check(value, root, self.warnings).resource(value, place)

    def invariants(self, definition: dict[str, Any], path: str, value: Any, place: str) -> Iterator[str]:
        for key, (severity, expression, human) in definition.get("constraints", {}).items():
            if key in NOT_EVALUATED or (severity == "warning" and not self.warnings):
                continue
            node = value if "resourceType" in value else ResourceNode.create_node(value, path)
            truth = _compiled(expression)(node, self.variables)
            if truth != [True] and not (truth == [] and key in _MAY_BE_OPEN):
                yield f"{place}: {key}: {human}"


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, (dict, list)):
        for item in value.values() if isinstance(value, dict) else value:
            yield from _strings(item)


def _children(type_: dict[str, Any], path: str) -> list[tuple[str, dict[str, Any]]]:
    depth = path.count(".") + 1
    return [(child, e) for child, e in type_.items() if child.startswith(f"{path}.") and child.count(".") == depth]


def _forms(name: str, definition: dict[str, Any]) -> list[tuple[str, str | None]]:
    """The JSON names of an element, each with its type: several for a choice (``value[x]``)."""
    types = definition["types"]
    if not name.endswith("[x]"):
        return [(name, types[0] if types else None)]
    return [(name[:-3] + kind[0].upper() + kind[1:], kind) for kind in types]


def _primitive(value: Any, kind: str, definition: dict[str, Any], place: str) -> Iterator[str]:
    if kind == "boolean":
        right = isinstance(value, bool)
    elif kind in _NUMBERS:
        right = isinstance(value, _NUMBERS[kind]) and not isinstance(value, bool)
    else:
        right = isinstance(value, str)
    if not right:
        yield f"{place}: {value!r} is not a {kind}"
        return
    if value == "":
        yield f"{place}: an empty {kind} is not allowed"
    pattern = PRIMITIVES[kind]
    if pattern is not None and kind != "boolean" and not re.fullmatch(pattern, str(value)):
        yield f"{place}: {value!r} does not have the form of a {kind}"
    if "codes" in definition and value not in R4["codes"][definition["codes"]]:
        yield f"{place}: {value!r} is not in {definition['codes']}"


def _bound(value: dict[str, Any], kind: str, definition: dict[str, Any], place: str) -> Iterator[str]:
    """Required bindings of coded types, and the types that a literal reference may name."""
    if "codes" in definition and kind in ("CodeableConcept", "Coding"):
        codings = value.get("coding", ()) if kind == "CodeableConcept" else (value,)
        if not {coding.get("code") for coding in codings} & set(R4["codes"][definition["codes"]]):
            yield f"{place}: no coding of {definition['codes']}"
    allowed = set(definition.get("targets", ())) - set(_RESOURCE_PARENTS)
    named = re.fullmatch(r"(?:https?://\S+/)?([A-Z]\w+)/[^/]+(?:/_history/[^/]+)?", value.get("reference", ""))
    for found in (named[1] if named else None, value.get("type")):
        if kind == "Reference" and allowed and found is not None and found not in allowed:
            yield f"{place}: must not refer to a {found}"


@cache
def _compiled(expression: str) -> Callable[..., list[Any]]:
    return fhirpathpy.compile(expression, models["r4"], _OPTIONS)


def _has_value(nodes: list[Any]) -> list[bool]:
    """FHIR's own function hasValue(), which the engine lacks: a single primitive value."""
    values = [node.data if isinstance(node, ResourceNode) else node for node in nodes]
    return [len(values) == 1 and not isinstance(values[0], (dict, list))]


_OPTIONS = {
    "traceFn": lambda *_: None,
    "userInvocationTable": {"hasValue": {"fn": _has_value, "arity": {0: []}}},
}
