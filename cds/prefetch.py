"""Prefetch: the FHIR queries that a service asks the client to answer, and what the client made of them.

A key may hold data, be null (asked, nothing found), be absent (not attempted) or hold an OperationOutcome (failed).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from cds.hook_request import HookRequest, PatientContext, Resource
from cds.refusals import Issue, RefusedCall
from rules.decision import NotUsed


@dataclass(frozen=True)
class Query:
    """One prefetch key: the template (``{{context.patientId}}`` is filled in), what it brings, and whether we can do without.

    ``brings`` is a resource type for a read, or ``Bundle`` for a search.
    """

    key: str
    template: str
    brings: str
    needed: bool
    what: str

    def filled(self, context: PatientContext) -> str | None:
        """The query for ``context``, or None where the context lacks a value that it needs."""
        query = self.template
        for name in ("patientId", "encounterId"):
            token = f"{{{{context.{name}}}}}"
            value = getattr(context, name)
            if token in query:
                if value is None:
                    return None
                query = query.replace(token, value)
        return query


@dataclass(frozen=True)
class Fetched:
    """What a Fetcher brought: resources by key, and why it could not bring the others."""

    found: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    failed: Mapping[str, str] = field(default_factory=dict)


class Fetcher(Protocol):
    """Reads from the client's FHIR server what the prefetch lacked."""

    async def fetch(self, request: HookRequest, wanted: Mapping[str, str]) -> Fetched:
        """Answer the queries ``wanted`` (by key; relative, or the absolute address of a next page)."""
        ...


@dataclass(frozen=True)
class Gathered:
    """All resources for one call, and what could not be had (for the card)."""

    resources: tuple[Any, ...]
    not_had: tuple[NotUsed, ...]


@dataclass
class _Sorted:
    """The prefetch of one call, sorted by what has to be done."""

    resources: list[Any] = field(default_factory=list)
    not_had: list[NotUsed] = field(default_factory=list)
    lacking: dict[str, str] = field(default_factory=dict)
    lacking_queries: dict[str, str] = field(default_factory=dict)
    further: dict[str, str] = field(default_factory=dict)


async def gather(request: HookRequest, queries: Sequence[Query], fetcher: Fetcher | None) -> Gathered:
    """Everything that the prefetch holds, completed by ``fetcher`` where there is one.

    Raises RefusedCall: 400 where a key holds something that its query cannot bring, 412 where needed data cannot be had.
    """
    found = _Sorted()
    for query in queries:
        _sort(query, request, found)
    wanted = found.lacking_queries | found.further
    why_not = "this call gave no fhirServer with fhirAuthorization to read it from"
    fetched = Fetched()
    if wanted and request.fhirAuthorization is not None:
        if fetcher is None:
            why_not = "this service is not set up to read from FHIR servers"
        else:
            why_not = "it could not be read from fhirServer"
            fetched = await fetcher.fetch(request, wanted)
    _complete(queries, found, fetched, why_not)
    return Gathered(tuple(found.resources), tuple(found.not_had))


def _sort(query: Query, request: HookRequest, found: _Sorted) -> None:
    where = f"prefetch.{query.key}"
    filled = query.filled(request.context)
    if query.key not in request.prefetch:
        # Without an encounter in the context the client had nothing to ask for, and nothing is lacking.
        if filled is not None:
            found.lacking[query.key], found.lacking_queries[query.key] = "not in the prefetch", filled
        return
    value = request.prefetch[query.key]
    if value is None:
        if query.brings != "Bundle":
            found.not_had.append(NotUsed(fact=None, value=where, reason=f"nothing was found for the {query.what}"))
        return
    kind = value.get("resourceType") if isinstance(value, dict) else None
    if kind == "OperationOutcome":
        found.lacking[query.key] = "the client's query failed (the prefetch holds an OperationOutcome)"
        if filled is not None:
            found.lacking_queries[query.key] = filled
    elif kind != query.brings:
        message = f"expected a {query.brings}, an OperationOutcome or null"
        raise RefusedCall(400, [Issue(where, message, "structure")])
    elif query.brings == "Bundle":
        _open_bundle(query, where, value, found)
    else:
        _check_identity(where, value, request)
        found.resources.append(value)


def _check_identity(where: str, resource: Resource, request: HookRequest) -> None:
    """A read that brought another patient or encounter must never be used."""
    expected = request.context.patientId if resource["resourceType"] == "Patient" else request.context.encounterId
    name = "context.patientId" if resource["resourceType"] == "Patient" else "context.encounterId"
    if expected is not None and resource.get("id") != expected:
        raise RefusedCall(400, [Issue(f"{where}.id", f"is not the {name} of this call", "conflict")])


def _open_bundle(query: Query, where: str, bundle: Resource, found: _Sorted) -> None:
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise RefusedCall(400, [Issue(f"{where}.entry", "expected a list", "structure")])
    for index, entry in enumerate(entries):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict) and isinstance(resource.get("resourceType"), str):
            found.resources.append(resource)
        else:
            reason = "not a Bundle entry with a FHIR resource"
            found.not_had.append(NotUsed(fact=None, value=f"{where}.entry[{index}]", reason=reason))
    links = bundle.get("link", [])
    for link in links if isinstance(links, list) else []:
        if isinstance(link, dict) and link.get("relation") == "next" and isinstance(link.get("url"), str):
            found.further[query.key] = link["url"]


def _complete(queries: Sequence[Query], found: _Sorted, fetched: Fetched, why_not: str) -> None:
    missing = []
    for query in queries:
        where = f"prefetch.{query.key}"
        if query.key in fetched.found:
            found.resources.extend(fetched.found[query.key])
        reason = fetched.failed.get(query.key, why_not)
        if query.key in fetched.found and query.key not in fetched.failed:
            continue
        if query.key in found.further:
            text = f"further pages of the {query.what} were not read: {reason}"
            found.not_had.append(NotUsed(fact=None, value=where, reason=text))
        elif query.key in found.lacking:
            text = f"the {query.what} could not be had: {found.lacking[query.key]}, and {reason}"
            if query.needed:
                missing.append(Issue(where, f"{text}. Send the result of {query.template}", "incomplete"))
            else:
                found.not_had.append(NotUsed(fact=None, value=where, reason=text))
    if missing:
        raise RefusedCall(412, missing)
