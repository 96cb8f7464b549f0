"""Prefetch: the FHIR queries that a service asks the client to answer, and what the client made of them.

A key may hold data, be null (asked, nothing found), be absent (not attempted) or hold an OperationOutcome (failed).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol
from urllib.parse import quote

from cds.fhir.json_access import items, shown
from cds.fhir.search_answers import failure, is_outcome, lacking
from cds.operation_outcome import Issue, RefusedCall
from cds.protocol.request import HookRequest, PatientContext, Resource, entries_of_bundles
from rules.model.decision import NotUsed

ORDERED = ("ServiceRequest", "DeviceRequest", "CarePlan")
"""The types of what is ordered and planned."""

LONGEST_QUERY = 2000
"""Octets of a query, percent-encoded, that every server and proxy takes in the address of a GET."""


def octets(query: str) -> int:
    """The length in bytes of ``query`` as it is sent, with everything encoded that a client may encode."""
    return len(quote(query, safe=""))


@dataclass(frozen=True)
class Query:
    """One prefetch key: the template (``{{context.patientId}}`` is filled in), what it brings, and whether we can do without.

    ``brings`` is a resource type for a read, or ``Bundle`` for a search; ``dangers``: what it brings may be one for the patient.
    """

    key: str
    template: str
    brings: str
    needed: bool
    what: str
    dangers: bool = False

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
        """Answer the queries ``wanted`` (by key; relative, or the absolute address of a next page) of ``request``."""
        ...


@dataclass(frozen=True)
class Gathered:
    """The completed prefetch of one call (resources and Bundles by key), and what could not be had (for the card).

    Under keys of the client's own stands what it sent, of any form.
    """

    prefetch: Mapping[str, Resource]
    not_had: tuple[NotUsed, ...]

    @property
    def entries(self) -> list[tuple[str | None, Resource]]:
        """What the Bundles hold, each with the address of its entry."""
        return entries_of_bundles(self.prefetch.values())

    @cached_property
    def orders(self) -> tuple[Resource, ...]:
        """Every resource of the types ``ORDERED``, those in Bundles too."""
        found: list[Any] = []
        for value in self.prefetch.values():
            if value["resourceType"] != "Bundle":
                found.append(value)
            else:
                found += [entry.get("resource") for entry in items(value, "entry") if isinstance(entry, dict)]
        return tuple(each for each in found if isinstance(each, dict) and each.get("resourceType") in ORDERED)


async def gather(request: HookRequest, queries: Sequence[Query], fetcher: Fetcher | None) -> Gathered:
    """What the prefetch of ``request`` holds for ``queries``, completed by ``fetcher`` where there is one.

    Raises RefusedCall: 400 where a key holds something that its query cannot bring, 412 where needed data cannot be
    had.
    """
    gathering = _Gathering(request)
    gathering.take_all(queries)
    await gathering.complete(fetcher)
    return gathering.finish()


def sent_along(request: HookRequest, queries: Sequence[Query]) -> Gathered:
    """What the prefetch of ``request`` holds for ``queries``, where it is complete. Raises RefusedCall as ``gather`` does."""
    gathering = _Gathering(request)
    gathering.take_all(queries)
    return gathering.finish()


@dataclass
class _Gathering:
    """The prefetch of one call, being sorted by what has to be done and completed."""

    request: HookRequest
    had: dict[str, Resource] = field(default_factory=dict)
    not_had: list[NotUsed] = field(default_factory=list)
    lacking: dict[str, tuple[Query, str, str]] = field(default_factory=dict)
    further: dict[str, tuple[Query, str]] = field(default_factory=dict)
    missing: list[Issue] = field(default_factory=list)

    def take_all(self, queries: Sequence[Query]) -> None:
        """Sort what the client sent for ``queries``, and under keys of its own."""
        for query in queries:
            self.take(query)
        asked = {query.key for query in queries}
        for key, value in self.request.prefetch.items():
            if key not in asked and value is not None:
                self._take_own(key, value)

    def _take_own(self, key: str, value: object) -> None:
        """What stands under a ``key`` that nobody asked for is read as the rest is: it may hold a danger.

        Whose each record is, and whether a Bundle is complete, is told where records are read.
        """
        if isinstance(value, dict) and isinstance(value.get("resourceType"), str):
            self.had[key] = value
            return
        reason = "this key was not asked for, and cannot be used: expected a FHIR resource, a Bundle or null"
        self.not_had.append(NotUsed(fact=None, value=f"prefetch.{shown(key)}", kind="malformed", reason=reason))

    def take(self, query: Query) -> None:
        """Sort what the client sent for ``query``."""
        if query.key not in self.request.prefetch:
            # Without an encounter in the context the client had nothing to ask for, and nothing is lacking.
            filled = query.filled(self.request.context)
            if filled is not None:
                self.lacking[query.key] = query, filled, "it is not in the prefetch"
            return
        value = self.request.prefetch[query.key]
        kind = value.get("resourceType") if isinstance(value, dict) else None
        if value is None:
            if query.brings != "Bundle":
                self._note(query, f"nothing was found for the {query.what}")
        elif kind == "OperationOutcome" and (filled := query.filled(self.request.context)) is not None:
            self.lacking[query.key] = (
                query,
                filled,
                "the client's query failed (the prefetch holds an OperationOutcome)",
            )
        elif kind != query.brings:
            self._malformed(query, "", f"expected a {query.brings}, an OperationOutcome or null")
        elif query.brings == "Bundle":
            self._take_bundle(query, value)
        else:
            self._take_read(query, value)

    def _take_read(self, query: Query, resource: Resource) -> None:
        """A read that brought another patient or encounter must never be used."""
        name = "patientId" if query.brings == "Patient" else "encounterId"
        expected = getattr(self.request.context, name)
        if expected is not None and resource.get("id") != expected:
            issue = Issue(f"prefetch.{query.key}.id", f"is not the context.{name} of this call", "conflict")
            raise RefusedCall(400, [issue])
        self.had[query.key] = resource

    def _take_bundle(self, query: Query, bundle: Resource) -> None:
        entries = bundle.get("entry", [])
        if not isinstance(entries, list):
            self._malformed(query, ".entry", "expected a list")
            return
        self.had[query.key] = {"resourceType": "Bundle", "entry": self._found(query, {**bundle, "entry": entries})}
        links = bundle.get("link", [])
        for link in links if isinstance(links, list) else []:
            if isinstance(link, dict) and link.get("relation") == "next" and isinstance(link.get("url"), str):
                self.further[query.key] = query, link["url"]

    def _malformed(self, query: Query, where: str, message: str) -> None:
        """Raises RefusedCall where the data are needed; what can be done without costs only itself, and is said."""
        if query.needed:
            raise RefusedCall(400, [Issue(f"prefetch.{query.key}{where}", message, "structure")])
        self._note(query, f"the {query.what} cannot be used: {message}")

    async def complete(self, fetcher: Fetcher | None) -> None:
        """Fetch what is lacking, and note what could not be had."""
        wanted = {key: filled for key, (_, filled, _) in self.lacking.items()}
        wanted |= {key: url for key, (_, url) in self.further.items()}
        why_not = "this call gave no fhirServer with fhirAuthorization to read it from"
        fetched = Fetched()
        if wanted and self.request.fhirAuthorization is not None:
            why_not = "this service is not set up to read from FHIR servers"
            if fetcher is not None:
                why_not = "it could not be read from fhirServer"
                fetched = await fetcher.fetch(self.request, wanted)
        for key, (query, _, lack) in self.lacking.items():
            self._add(query, fetched)
            if key in fetched.found and key not in fetched.failed:
                continue
            reason = f"the {query.what} could not be had: {lack}, and {fetched.failed.get(key, why_not)}"
            if query.needed and key not in fetched.found:
                text = f"{reason}. Send the result of {query.template}"
                self.missing.append(Issue(f"prefetch.{key}", text, "incomplete"))
            else:
                self._note(query, reason)
        for key, (query, _) in self.further.items():
            self._add(query, fetched)
            if key not in fetched.found or key in fetched.failed:
                self._note(query, f"further pages were not read: {fetched.failed.get(key, why_not)}")

    def _add(self, query: Query, fetched: Fetched) -> None:
        found = fetched.found.get(query.key, ())
        if found and query.brings == "Bundle":
            bundle = self.had.setdefault(query.key, {"resourceType": "Bundle", "entry": []})
            answer = {"entry": [{"resource": resource} for resource in found]}
            bundle["entry"] = [*bundle["entry"], *self._found(query, answer)]
            return
        for resource in found:
            if isinstance(resource, dict) and resource.get("resourceType") == query.brings:
                self._take_read(query, resource)

    def _found(self, query: Query, answer: Mapping[str, Any]) -> list[Any]:
        """The entries of ``answer``; where it says that something is lacking, that is noted once and left out of them."""
        short = lacking(answer)
        if short is None:
            return list(answer["entry"])
        self._note(query, f"not all of the {query.what} were found: {short}")
        return [
            entry for entry in answer["entry"] if not (is_outcome(entry) and failure(entry["resource"]) is not None)
        ]

    def _note(self, query: Query, reason: str) -> None:
        look_up = f"{query.what} (not all could be read)" if query.dangers else None
        self.not_had.append(
            NotUsed(fact=None, value=f"prefetch.{query.key}", kind="incomplete", reason=reason, look_up=look_up)
        )

    def finish(self) -> Gathered:
        """What was gathered. Raises RefusedCall with 412 where needed data are missing."""
        if self.missing:
            raise RefusedCall(412, self.missing)
        return Gathered(self.had, tuple(self.not_had))
