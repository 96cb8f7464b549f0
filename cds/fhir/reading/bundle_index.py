"""What was sent: the resources of a Bundle, a hook request or a list, each with its reference, and whose record is asked for."""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from itertools import chain
from typing import Any, NamedTuple

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.references import addresses, as_compared, is_address
from cds.fhir.search_answers import failure, fewer_than_total, is_note, words_of
from rules.errors import NuqueError
from rules.model.decision import NotUsed

_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")
_TYPED = re.compile(r"(?:.*/)?([A-Z][A-Za-z]*)/[A-Za-z0-9.-]{1,64}", re.DOTALL)
_VERSION = re.compile(r"/_history/[^/]*$")
_DEEPEST = 4
_NOT_RECORDS = ("Bundle", "OperationOutcome")
_REFERRED_TO = ("Patient", "Encounter", "Location", "Device")
"""Types of which a reference leads to a record: where one is sent twice, both addresses are names of it."""
_SOME_LACKING = "the record (not all could be read)"


class ReadingError(NuqueError):
    """What was sent cannot be read at all, or it cannot be told which patient is meant."""


class Record(NamedTuple):
    """One resource (any JSON object with a resourceType) and what it can be called by.

    ``reference`` is what a FHIR reference to it would say, or None where it has neither id nor fullUrl; ``label`` names it
    in messages in any case.
    """

    resource: dict[str, Any]
    type: str
    reference: str | None
    label: str
    url: str | None = None
    urls: tuple[str, ...] = ()
    """The addresses at which the same was sent again."""

    @property
    def modifier(self) -> str | None:
        """The element, if any, that may change the meaning of the whole resource."""
        return next((key for key in ("modifierExtension", "implicitRules") if self.resource.get(key)), None)


@dataclass
class Inventory:
    """The resources that were sent, in order; ``patient`` and ``encounter`` (references) where a hook's context names them.

    ``addresses`` are those of the patient on the FHIR server that a hook names.
    """

    refused: list[NotUsed] = field(default_factory=list)
    patient: str | None = None
    addresses: tuple[str, ...] = ()
    encounter: str | None = None
    _by_type: dict[str, list[Record]] = field(default_factory=dict)
    _kinds: dict[str, str] = field(default_factory=dict)
    """Each resource type as it stands in references and messages."""
    _places: dict[tuple[str, str], list[int]] = field(default_factory=dict)
    """Of each type and id where its records stand among those of its type: one, or several that nobody can tell apart."""
    _digests: dict[tuple[str, str], set[bytes]] = field(default_factory=dict)

    def of(self, *types: str) -> Iterator[Record]:
        """The records of the resource ``types``, type by type, each in order."""
        return chain.from_iterable(self._by_type.get(kind, ()) for kind in types)

    def contained(self) -> Iterator[tuple[Record, Record]]:
        """Each resource that stands inside a record (R4, ``contained``), behind the record around it."""
        for around in chain.from_iterable(self._by_type.values()):
            for resource in items(around.resource, "contained") if "contained" in around.resource else ():
                kind = text(resource, "resourceType")
                if kind is not None:
                    label = f"{around.label}#{shown(text(resource, 'id') or kind)}"
                    yield around, Record(resource, kind, None, label)

    def refuse(self, value: object, why: RejectionReason, label: str, look_up: str | None = None) -> None:
        """List something that is not a usable resource: its ``value``, ``why`` it is not, and its ``label`` in messages.

        ``look_up`` is what a person has to look up for it.
        """
        self.refused.append(
            NotUsed(fact=None, value=shown(value), kind=why.kind, reason=why.text, reference=label, look_up=look_up)
        )

    def take(self, value: object, label: str, url: str | None = None, depth: int = 0) -> None:
        """Add ``value``: a resource, or a Bundle with all that it holds. What is neither is listed as refused.

        ``label`` and ``url`` say where it stands; ``depth`` counts the Bundles around it, of which only so many are opened.
        """
        kind = text(value, "resourceType")
        if not isinstance(value, dict) or kind is None:
            self.refuse(
                value,
                RejectionReason("malformed", "not a FHIR resource; expected an object with a resourceType"),
                label,
            )
        elif kind == "Bundle" and depth >= _DEEPEST:
            self.refuse(
                value,
                RejectionReason("incomplete", f"bundles inside each other are read {_DEEPEST} deep and no deeper"),
                label,
            )
        elif kind == "Bundle":
            self._take_bundle(value, label, depth)
        elif kind == "OperationOutcome":
            self._take_outcome(value, label)
        else:
            self._take_resource(value, kind, label, url)

    def _take_outcome(self, outcome: dict[str, Any], label: str) -> None:
        """What the record system says of its own answer: a note is none of the patient's, an error means that some is lacking."""
        if is_note(outcome):
            return
        failed = failure(outcome)
        said = words_of(items(outcome, "issue"))
        why = "the record system answered with " + ("a warning" if failed is None else "an error")
        self.refuse(said, RejectionReason("incomplete", why), label, None if failed is None else _SOME_LACKING)

    def _take_bundle(self, bundle: dict[str, Any], label: str, depth: int) -> None:
        entries = bundle.get("entry", [])
        if not isinstance(entries, list):
            self.refuse(entries, RejectionReason("malformed", "Bundle.entry is not an array"), label)
            return
        place = f"{label}.entry"
        for number, entry in enumerate(entries):
            resource = entry.get("resource") if isinstance(entry, dict) else None
            kind = resource.get("resourceType") if isinstance(resource, dict) else None
            if isinstance(resource, dict) and isinstance(kind, str) and kind and kind not in _NOT_RECORDS:
                # Most entries, told at once.
                url = text(entry, "fullUrl") if "fullUrl" in entry else None
                self._take_resource(resource, kind, place, url, number)
                continue
            where = f"{place}[{number}]"
            if isinstance(entry, dict) and "resource" in entry:
                self.take(entry["resource"], where, text(entry, "fullUrl"), depth + 1)
            else:
                self.refuse(entry, RejectionReason("malformed", "a bundle entry without a resource"), where)
        if any(text(link, "relation") == "next" for link in items(bundle, "link")):
            why = RejectionReason("incomplete", "the bundle goes on in a page that was not sent")
            self.refuse("next page", why, label, _SOME_LACKING)
        elif (short := fewer_than_total(bundle)) is not None:
            self.refuse("further records", RejectionReason("incomplete", short), label, _SOME_LACKING)

    def _take_resource(
        self, resource: dict[str, Any], kind: str, label: str, url: str | None, number: int | None = None
    ) -> None:
        """Add a record, found at ``label``: the entry ``number`` of it where that is given."""
        words = self._kinds.get(kind)
        if words is None:
            words = self._kinds[kind] = shown(kind)
        identity = resource.get("id")
        records = self._by_type.setdefault(kind, [])
        if isinstance(identity, str) and _ID.fullmatch(identity) is not None:
            key = (kind, identity)
            if key not in self._places:
                self._places[key] = [len(records)]
            elif self._is_repeat(key, resource):
                if url is not None and kind in _REFERRED_TO:
                    self._name_again(key, url)
                return
            elif self._is_version(key, resource, url):
                return
            else:
                self._places[key].append(len(records))
            reference: str | None = f"{words}/{identity}"
        else:
            reference = None if url is None else shown(url)
        where = reference
        if where is None:
            where = f"{words} at {label}{'' if number is None else f'[{number}]'}"
        records.append(Record(resource, kind, reference, where, url))

    def _name_again(self, key: tuple[str, str], url: str) -> None:
        """Note ``url`` as one more name of what was sent before."""
        records = self._by_type[key[0]]
        for place in self._places[key]:
            record = records[place]
            if url not in (record.url, *record.urls):
                records[place] = record._replace(urls=(*record.urls, url))

    def _is_repeat(self, key: tuple[str, str], resource: dict[str, Any]) -> bool:
        """Whether the same was sent before under the same id. Digests, so that thousands under one id take no longer."""
        if key not in self._digests:
            self._digests[key] = {_digest(self._by_type[key[0]][self._places[key][0]].resource)}
        earlier = self._digests[key]
        digest = _digest(resource)
        repeated = digest in earlier
        earlier.add(digest)
        return repeated

    def _is_version(self, key: tuple[str, str], resource: dict[str, Any], url: str | None) -> bool:
        """Whether ``resource`` is another version of a record that is there; the one that was updated last stays.

        Versions of one record meet where its parts were asked for at different moments. Where one of them does not say when
        it was updated, or both say the same moment, nobody can tell, and both count.
        """
        records, place = self._by_type[key[0]], self._places[key][0]
        before = records[place]
        if url is not None and before.url is not None and url != before.url:
            return False
        earlier, later = _updated(before.resource), _updated(resource)
        if earlier is None or later is None or earlier == later:
            return False
        if later > earlier:
            records[place] = before._replace(resource=resource)
        return True


def _updated(resource: dict[str, Any]) -> datetime | None:
    """When a resource says that it was updated last, or None where it does not say so as an instant."""
    try:
        found = moment(text(mapping(resource, "meta"), "lastUpdated"), None)
    except DateError:
        return None
    return found if found.tzinfo is not None else None


def _digest(resource: dict[str, Any]) -> bytes:
    return hashlib.sha256(json.dumps(resource, sort_keys=True).encode()).digest()


def inventory(sent: object) -> Inventory:
    """Everything in ``sent``: a Bundle, a single resource, a list of resources, or a CDS Hooks request.

    Raises ReadingError where ``sent`` is none of these.
    """
    found = Inventory()
    if isinstance(sent, list):
        for number, value in enumerate(sent):
            found.take(value, f"resource[{number}]")
    elif isinstance(sent, dict) and "resourceType" in sent:
        found.take(sent, str(text(sent, "resourceType") or "resource"))
    elif isinstance(sent, dict) and ("prefetch" in sent or "context" in sent):
        _take_hook(found, sent)
    else:
        raise ReadingError(
            "expected a FHIR Bundle, a FHIR resource, a list of resources or a CDS Hooks request; "
            f"found {shown(sent)} without a resourceType, context or prefetch"
        )
    return found


def _take_hook(found: Inventory, request: dict[str, Any]) -> None:
    context = mapping(request, "context")
    patient, encounter = text(context, "patientId"), text(context, "encounterId")
    found.patient = None if patient is None else _typed("Patient", patient)
    found.encounter = None if encounter is None else _typed("Encounter", encounter)
    server = text(request, "fhirServer")
    if server is not None and found.patient is not None:
        found.addresses = addresses(server, found.patient)
    for key, value in mapping(request, "prefetch").items():
        if value is not None:
            found.take(value, f"prefetch.{shown(key)}")
    if context.get("draftOrders") is not None:
        found.take(context["draftOrders"], "context.draftOrders")


def _typed(kind: str, identity: str) -> str:
    return identity if "/" in identity else f"{kind}/{identity}"


class Names(frozenset[str]):
    """Everything that a reference to a resource, or to any of several, may say."""

    @cached_property
    def absolute(self) -> bool:
        """Whether an address is among them."""
        return any(map(is_address, self))


def _ways(reference: str) -> tuple[str, str, str | None]:
    """``reference`` as it is compared, without a version, and (of an address) its type and id alone."""
    written = as_compared(reference)
    bare = _VERSION.sub("", written)
    return written, bare, "/".join(bare.split("/")[-2:]) if is_address(bare) else None


def refers_to(reference: str, names: Names) -> bool:
    """Whether ``reference`` leads to the resource that is called by ``names`` (``Patient/1``, its fullUrl, its urn:uuid).

    An absolute reference to a server is held against the absolute names where there are any, else against the ids.
    """
    written, bare, relative = _ways(reference)
    return written in names or bare in names or (relative in names and not names.absolute)


def names_of(record: Record) -> Names:
    """Everything that a reference to ``record`` may say, addresses as they are compared."""
    identity = text(record.resource, "id")
    names = {record.reference, record.url, *record.urls, f"urn:uuid:{identity}" if identity else None}
    return Names(as_compared(name) for name in names if name)


def type_referred_to(reference: str) -> str | None:
    """The type of resource that ``reference`` leads to (``Patient/1``, its address), where it tells."""
    told = _TYPED.fullmatch(_VERSION.sub("", reference))
    return None if told is None else told[1]


def identifiers_of(holders: Iterable[object]) -> frozenset[tuple[str, str]]:
    """The complete business identifiers ``holders``, as system and value; whatever is malformed is left out."""
    pairs = ((text(holder, "system"), text(holder, "value")) for holder in holders)
    return frozenset((system, value) for system, value in pairs if system is not None and value is not None)


class ReferenceIndex:
    """Finds the records that references lead to, as ``refers_to`` says, in a time that does not grow with their number."""

    def __init__(self, records: Iterable[Record]) -> None:
        """Index ``records``."""
        self._by_name: dict[str, list[Record]] = defaultdict(list)
        self._by_name_alone: dict[str, list[Record]] = defaultdict(list)
        for record in records:
            names = names_of(record)
            for name in names:
                self._by_name[name].append(record)
                if not names.absolute:
                    self._by_name_alone[name].append(record)

    def keys(self, reference: str) -> tuple[str, ...]:
        """The names under which records stand that ``reference`` leads to; references with the same lead to the same."""
        written, bare, relative = _ways(reference)
        found = dict.fromkeys(name for name in (written, bare) if name in self._by_name)
        if relative in self._by_name_alone:
            found[f"{_ALONE}{relative}"] = None
        return tuple(found)

    def under(self, key: str) -> Sequence[Record]:
        """The records under ``key``, one of ``keys``."""
        if key.startswith(_ALONE):
            return self._by_name_alone[key.removeprefix(_ALONE)]
        return self._by_name[key]


_ALONE = "\0"
