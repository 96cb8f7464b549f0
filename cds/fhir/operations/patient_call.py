"""Of a call of an operation: which artefact it means, whom it is about, at which moment, and what was read of the patient."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any

from cds.fhir.datatypes import Resource
from cds.fhir.operations.definitions import AT, CONTEXTS, Operation
from cds.fhir.operations.parameters import MOST_PROBLEMS, Given, Held, read_parameters
from cds.fhir.reading.bundle_index import ReadingError
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.dates import DateError, by_the_clock, moment
from cds.fhir.reading.reader import Reading, read_called
from cds.fhir.writing.order_context import OrderContext, referenced_type
from cds.operation_outcome import Issue, RefusedCall
from rules.model.ruleset import Ruleset

_PERFORMERS = ("practitioner", "organization")
_TYPES = {
    "subject": ("Patient",),
    "encounter": ("Encounter",),
    "practitioner": ("Practitioner", "PractitionerRole"),
    "organization": ("Organization",),
}


def artefact_meant(
    artefacts: Mapping[tuple[str, str], Resource], operation: Operation, given: Given, name: str | None
) -> Resource:
    """The published artefact that a call of ``operation`` means: by ``name`` in the address, or by what was ``given``.

    ``artefacts`` holds what is published, by type of resource and name. Raises RefusedCall: with 400 where it is not
    said, or said twice; with 404 where nothing such is published; with 422 where a resource was sent that is not the
    one published here.
    """
    kind = operation.resource_type
    named = [held for parameter in operation.naming for held in given.get(parameter, ())]
    if name is not None:
        found = artefacts.get((kind, name))
        if found is None:
            raise _unknown(kind, None)
        if named and operation.naming_is_exclusive:
            raise _refused(400, named[0].where, "the address says which is meant: leave it out")
        return found
    if len(named) != 1:
        wanted = " or ".join(operation.naming)
        raise _refused(400, "Parameters.parameter", f"say which {kind} is meant, once: {wanted}", "required")
    return _published(artefacts, kind, named[0], given)


def _published(artefacts: Mapping[tuple[str, str], Resource], kind: str, meant: Held, given: Given) -> Resource:
    ours = [resource for (type_, _), resource in artefacts.items() if type_ == kind]
    if isinstance(meant.value, dict) and "resourceType" in meant.value:
        if meant.value in ours:
            return meant.value
        raise _refused(
            422, meant.where, f"differs from every {kind} published here, and no other is used", "business-rule"
        )
    url, _, version = _said(meant.value).partition("|")
    versions = [*([version] if version else []), *(held.value for held in given.get("version", ()))]
    for resource in ours:
        names = (resource["url"], f"{kind}/{resource['id']}")
        if url in names and all(wanted == resource["version"] for wanted in versions):
            return resource
    raise _unknown(kind, meant.where)


def _said(value: Any) -> str:
    return str(value["reference"] if isinstance(value, dict) else value)


def _unknown(kind: str, where: str | None) -> RefusedCall:
    return _refused(404, where, f"no such {kind} is published here; GET /fhir/{kind} lists those that are", "not-found")


def _refused(status: int, where: str | None, message: str, code: str = "invalid") -> RefusedCall:
    return RefusedCall(status, [Issue(where, message, code)])


@dataclass(frozen=True)
class PatientCall:
    """Whom a call is about (references as they were sent; None: not said), the records that it brought, and the moment."""

    subject: str | None
    encounter: str | None
    requester: str | None
    records: tuple[Any, ...]
    at: datetime

    @classmethod
    def of(cls, given: Given, now: datetime) -> PatientCall:
        """The call of ``given``; at the moment ``now`` where it names none. Raises RefusedCall with 400."""
        problems = [*_wrong_references(given), *_wrong_contexts(given)]
        if problems:
            raise RefusedCall(400, problems[:MOST_PROBLEMS])
        performers = [_said(held.value) for name in _PERFORMERS for held in given.get(name, ())]
        return cls(
            _only(given, "subject"),
            _only(given, "encounter"),
            next(iter(performers), None),
            tuple(_records(given)),
            _moment(given, now),
        )

    def read(self, ruleset: Ruleset, code_map: CodeMap, zone: tzinfo | None) -> Reading:
        """What the records say of the patient, read as in a call of a hook: facts of ``ruleset`` by the codes of ``code_map``.

        Days without a time are those of the clock in ``zone`` (None: of this machine). Raises RefusedCall with 422 where they
        cannot be read.
        """
        sent = self.records[0] if len(self.records) == 1 else list(self.records)
        try:
            clock = by_the_clock(self.at, zone)
            return read_called(sent, ruleset, code_map, clock, self.subject, self.encounter)
        except ReadingError as error:
            raise _refused(422, "Parameters.parameter", str(error), "business-rule") from error

    def orders(self, reading: Reading, base: str) -> OrderContext:
        """For whom, and at whose request, resources are written under the canonical ``base``.

        The encounter is the one that the call names, or else that of ``reading``.
        """
        assert self.subject is not None, "required by the definition of the operation"
        read = reading.encounter if referenced_type(reading.encounter or "") == "Encounter" else None
        return OrderContext(self.subject, self.encounter or read, self.requester, base)


def _only(given: Given, name: str) -> str | None:
    return next((_said(held.value) for held in given.get(name, ())), None)


def _wrong_references(given: Given) -> Iterator[Issue]:
    for name, types in _TYPES.items():
        for held in given.get(name, ()):
            if referenced_type(_said(held.value)) not in types:
                wanted = " or ".join(f"{each}/id" for each in types)
                yield Issue(held.where, f"{name} must be a reference of the form {wanted}", "value")


def _records(given: Given) -> Iterator[Any]:
    for name in ("data", "content"):
        yield from (held.value for held in given.get(name, ()))
    for context in given.get("context", ()):
        yield from (held.value for held in context.value["content"])


def _wrong_contexts(given: Given) -> Iterator[Issue]:
    for context in given.get("context", ()):
        for held in context.value["name"]:
            if held.value not in CONTEXTS:
                yield Issue(held.where, f"a context is called {' or '.join(CONTEXTS)}", "not-supported")


def _moment(given: Given, now: datetime) -> datetime:
    for parameters in given.get("parameters", ()):
        inner = read_parameters(parameters.value, (AT,), parameters.where)
        for held in inner.get(AT.name, ()):
            try:
                return moment(held.value, None) if "T" in held.value else _without_time(held)
            except DateError as error:
                raise _refused(400, held.where, str(error), "value") from error
    return now


def _without_time(held: Held) -> datetime:
    raise _refused(400, held.where, "a moment has a time of day and a time zone, as 2026-01-31T10:00:00Z", "value")
