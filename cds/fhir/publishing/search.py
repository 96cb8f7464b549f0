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

_MODIFIERS = ("exact", "contains")
"""Of parameters that are strings."""
_SYSTEMS = {"status": "http://hl7.org/fhir/publication-status"}
"""The code system that the codes of an element are of, where it has one."""
_COUNT, _OFFSET, _SUMMARY = "_count", "_offset", "_summary"
_OF_THE_ANSWER = (_COUNT, _OFFSET, _SUMMARY, "_format")
"""What a call can ask of the answer: a strict one too."""
_SUMMARIES = ("count", "false")
"""The values of ``_summary`` that are followed. No server has to send less than the whole (R4, Search, 3.1.1.5.9)."""


class SearchNotUnderstood(ValueError):
    """A search holds what would be answered wrongly if it were passed over; the message says what to send instead."""


def searched(
    artefacts: Artefacts,
    resource_type: str,
    asked: Iterable[tuple[str, str]],
    address: str,
    *,
    strict: bool = False,
) -> Resource:
    """The Bundle of those of ``artefacts`` of ``resource_type`` that fit all of ``asked``, each a parameter and its values.

    Values with a comma between them are alternatives. What is not among ``PARAMETERS`` is not looked at, and the link
    ``self`` under ``address`` leaves it out, as the standard has it. Of a page (``_count``) the link ``next`` leads on.
    ``_summary=count`` counts alone; its other values are left out too, as artefacts are sent whole.

    Raises SearchNotUnderstood for a modifier that is not supported, for a ``_count`` that is not a number, and where ``strict``
    for an unknown parameter and for a ``_summary`` that is not followed.
    """
    given = [(name, value) for name, value in asked if value]
    used = [(name, value) for name, value in given if _is_used(name, strict=strict)]
    found = [
        resource
        for (kind, _), resource in artefacts.items()
        if kind == resource_type and all(_fits(resource, name, value) for name, value in used)
    ]
    pages = dict(given)
    if pages.get(_SUMMARY, "false") not in _SUMMARIES:
        if strict:
            raise SearchNotUnderstood(f"{_SUMMARY} is not followed as sent; {' and '.join(_SUMMARIES)} are")
        del pages[_SUMMARY]
    most, first = (_number(name, pages.get(name)) for name in (_COUNT, _OFFSET))
    if pages.get(_SUMMARY) == "count":
        most = 0
    start = first or 0
    shown = found[start:] if most is None else found[start : start + most]
    kept = [*used, *((name, pages[name]) for name in (_COUNT, _SUMMARY) if name in pages)]
    links = [("self", [*kept, *([(_OFFSET, str(start))] if start else [])])]
    if most and start + most < len(found):
        links.append(("next", [*kept, (_OFFSET, str(start + most))]))
    return present(
        resourceType="Bundle",
        type="searchset",
        link=[
            {"relation": relation, "url": f"{address}/{resource_type}{f'?{urlencode(query)}' if query else ''}"}
            for relation, query in links
        ],
        entry=[
            {"fullUrl": f"{address}/{resource_type}/{one['id']}", "resource": one, "search": {"mode": "match"}}
            for one in shown
        ],
    ) | {"total": len(found)}


def _is_used(parameter: str, *, strict: bool) -> bool:
    """Whether ``parameter``, a name perhaps with a modifier, is searched by."""
    name, _, modifier = parameter.partition(":")
    if name not in PARAMETERS:
        if strict and name not in _OF_THE_ANSWER:
            raise SearchNotUnderstood(f"{name[:64]!r} is not searched by; {', '.join(PARAMETERS)} are")
        return False
    if modifier and not (PARAMETERS[name] == "string" and modifier in _MODIFIERS):
        can = [each for each, kind in PARAMETERS.items() if kind == "string"]
        raise SearchNotUnderstood(
            f"the modifier {modifier[:64]!r} of {name} is not supported; {' and '.join(_MODIFIERS)} are, of {' and '.join(can)}"
        )
    return True


def _number(name: str, written: str | None) -> int | None:
    if written is None:
        return None
    if not (written.isascii() and written.isdigit() and len(written) < 10):
        raise SearchNotUnderstood(f"{name} is not a whole number from 0")
    return int(written)


def _fits(resource: Resource, parameter: str, value: str) -> bool:
    name, _, modifier = parameter.partition(":")
    held, wanted = str(resource.get("id" if name == "_id" else name, "")), value.split(",")
    if PARAMETERS[name] == "token":
        return any(_is_token(name, held, one) for one in wanted)
    if PARAMETERS[name] != "string" or modifier == "exact":
        return held in wanted
    folded = held.casefold()
    if modifier == "contains":
        return any(one.casefold() in folded for one in wanted)
    return any(folded.startswith(one.casefold()) for one in wanted)


def _is_token(name: str, held: str, wanted: str) -> bool:
    """Whether ``wanted`` (``code``, ``system|code``, ``|code`` or ``system|``) is what the element ``name`` holds."""
    system, bar, code = wanted.rpartition("|")
    return (not bar or system == _SYSTEMS.get(name, "")) and (code == held or (bool(system) and not code))


def capability_statement(
    ruleset: Ruleset, artefacts: Artefacts, operations: Iterable[tuple[str, str, str]], address: str, at: datetime
) -> Resource:
    """What the server under ``address`` can do with the published ``artefacts``, said at the moment ``at`` (with time zone).

    Each of ``operations`` is a resource type, the operation's name, and the canonical URL of its definition.
    ``ruleset`` gives title and version.
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
