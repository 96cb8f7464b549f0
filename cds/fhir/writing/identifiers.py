"""Names for resources that no server has seen yet: the same decision for the same patient always gets the same ones."""

from __future__ import annotations

import hashlib
import json
import uuid

from cds.fhir.datatypes import Element, Resource
from cds.fhir.writing.order_context import OrderContext
from rules.model.decision import Decision

_URI = "urn:ietf:rfc:3986"


def urn(decision: Decision, context: OrderContext, part: str) -> str:
    """``urn:uuid:`` of one ``part`` of ``decision``, made from the patient, the rule set, the moment, and the facts.

    ``context`` has the patient, and the base under which it is made.
    """
    found = context.names.get((decision.identity, part))
    if found is None:
        seed = f"[{json.dumps(context.patient)}, {decision.identity}, {json.dumps(part)}]"
        digest = hashlib.sha256(seed.encode()).hexdigest()
        found = uuid.uuid5(uuid.NAMESPACE_URL, f"{context.base}/{digest}").urn
        context.names[decision.identity, part] = found
    return found


def identifier(name: str) -> Element:
    """``name``, a ``urn:uuid:``, as an Identifier."""
    return {"system": _URI, "value": name}


def reference_to(name: str, resource_type: str) -> Element:
    """A Reference to the resource ``name``, of the ``resource_type``, of the same suggestion.

    It holds in a transaction, where ``name`` is the entry's ``fullUrl``, and as a logical reference by identifier where
    the resources are created one by one.
    """
    return {"reference": name, "type": resource_type, "identifier": identifier(name)}


def name_of(resource: Resource) -> str:
    """The ``urn:uuid:`` under which ``resource``, one of ours, goes. Raises LookupError where it has none."""
    for given in resource.get("identifier", ()):
        value = given.get("value", "")
        if given.get("system") == _URI and isinstance(value, str) and value.startswith("urn:uuid:"):
            return value
    raise LookupError(f"{resource.get('resourceType')} has no identifier of system {_URI} with a urn:uuid")
