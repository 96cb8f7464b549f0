"""What is published, found as a FHIR server lets it be found: the searches by which a client resolves a canonical.

Source: FHIR R4 (4.0.1), Search, http://hl7.org/fhir/R4/search.html, and Capabilities, http://hl7.org/fhir/R4/capabilitystatement.html
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from urllib.parse import urlencode

from cds.fhir.datatypes import Element, Resource, present
from cds.fhir.publishing.implementation_guide import FHIR_VERSION
from rules.model.ruleset import Ruleset

Artefacts = Mapping[tuple[str, str], Resource]

PARAMETERS = {"_id": "token", "url": "uri", "version": "token", "name": "string", "title": "string", "status": "token"}
"""What can be searched for; each is the element of the same name, and ``_id`` is the id."""


def searched(artefacts: Artefacts, resource_type: str, asked: Iterable[tuple[str, str]], address: str) -> Resource:
    """The Bundle of the artefacts of ``resource_type`` that fit all of ``asked``, each a parameter and its values.

    Values with a comma between them are alternatives. What is not among ``PARAMETERS`` is not looked at, and the link
    ``self`` under ``address`` leaves it out, as the standard has it.
    """
    used = [(name, value) for name, value in asked if name in PARAMETERS and value]
    found = [
        resource
        for (kind, _), resource in artefacts.items()
        if kind == resource_type and all(_fits(resource, name, value) for name, value in used)
    ]
    query = f"?{urlencode(used)}" if used else ""
    return present(
        resourceType="Bundle",
        type="searchset",
        total=len(found),
        link=[{"relation": "self", "url": f"{address}/{resource_type}{query}"}],
        entry=[
            {"fullUrl": f"{address}/{resource_type}/{one['id']}", "resource": one, "search": {"mode": "match"}}
            for one in found
        ],
    ) | {"total": len(found)}


def _fits(resource: Resource, name: str, value: str) -> bool:
    held = str(resource.get("id" if name == "_id" else name, ""))
    if PARAMETERS[name] == "string":
        return any(held.casefold().startswith(one.casefold()) for one in value.split(","))
    return held in value.split(",")


def capability_statement(
    ruleset: Ruleset, artefacts: Artefacts, operations: Iterable[tuple[str, str, str]], address: str, at: datetime
) -> Resource:
    """What the server under ``address`` can do with the published artefacts, said at the moment ``at``.

    Each of ``operations`` is a resource type, the operation's name, and the canonical URL of its definition.
    """
    kinds = sorted({kind for kind, _ in artefacts})
    offered: dict[str, list[Element]] = {}
    for kind, name, definition in operations:
        offered.setdefault(kind, []).append({"name": name, "definition": definition})
    return present(
        resourceType="CapabilityStatement",
        status="active",
        date=at.isoformat(timespec="seconds"),
        kind="instance",
        software={"name": "Nuque", "version": ruleset.version},
        implementation={"description": f"Published content: {ruleset.title}", "url": address},
        fhirVersion=FHIR_VERSION,
        format=["application/fhir+json", "json"],
        rest=[{"mode": "server", "resource": [_capability(kind, offered.get(kind, [])) for kind in kinds]}],
    )


def _capability(kind: str, operations: list[Element]) -> Element:
    return present(
        type=kind,
        interaction=[{"code": "read"}, {"code": "search-type"}],
        versioning="no-version",
        searchParam=[{"name": name, "type": type_} for name, type_ in PARAMETERS.items()],
        operation=operations,
    )
