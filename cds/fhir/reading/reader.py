"""FHIR R4 to facts: what was sent becomes one value a fact, each with its origin and time, and a list of what was refused.

Plain JSON is read as it comes, resource by resource; whatever is wrong with one never costs the others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain
from typing import Any, NamedTuple

from cds.fhir.codes import STANDING
from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.prohibition import is_to_be_done
from cds.fhir.reading.bundle_index import (
    Inventory,
    Names,
    ReadingError,
    Record,
    ReferenceIndex,
    identifiers_of,
    inventory,
    names_of,
    refers_to,
    type_referred_to,
)
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.coded_records import CodedRecordReader
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.device_use import (
    IN_PLACE,
    MAY_BE_FORBIDDEN,
    WORN,
    observed_on,
    read_device_uses,
    read_devices,
    read_standing_order,
    read_uses_of_nobody,
    weighed,
)
from cds.fhir.reading.encounter import current_encounter, may_run, read_encounter, read_reasons
from cds.fhir.reading.neck_concepts import (
    TOO_LONG,
    SilentObservations,
    denies,
    may_be,
    unread_concepts,
    words_about_the_neck,
)
from cds.fhir.reading.observation import ObservationReader
from cds.fhir.reading.patient import AgeQuestion, display_name, identity_doubts, is_deceased, read_patient
from cds.fhir.reading.questionnaire_response import QuestionnaireResponseReader
from cds.fhir.reading.reconciliation import Accepted, Rejected, all_refused, choose, unmodified
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.references import as_compared
from rules.model.decision import NotUsed, RefusalKind
from rules.model.facts import RecordedFact
from rules.model.ruleset import Ruleset

_OF_A_PATIENT = (
    "Observation",
    "Condition",
    "Procedure",
    "ServiceRequest",
    "DeviceRequest",
    "DeviceUseStatement",
    "QuestionnaireResponse",
    "Encounter",
)

_READ_OF_NOBODY = (
    *("Observation", "Condition", "Procedure", "ServiceRequest", "QuestionnaireResponse"),
    *("DeviceUseStatement", "Encounter"),
)
"""Types of records that are read, and refused, where nobody can say whose they are: a danger among them is named."""
_READ_INSIDE = ("Observation", "Condition", "Procedure", "ServiceRequest", "QuestionnaireResponse")
"""Types of records of which a danger is named where they stand inside another."""
PERSONS = ("Patient", "RelatedPerson", "Group", "Person", "Practitioner", "PractitionerRole")
"""Types of resources that are somebody; what is about one of them is not about the patient of the record."""
_CLINICAL = ("Observation", "Condition", "Procedure")
_ANSWERED = ("Observation", "QuestionnaireResponse")
_NOT_MAPPED = "about neck, spine, airway or another danger, but its code is mapped to no fact: read it yourself"
_A_CODE_ALONE = "a code that is mapped to no fact, and no words: what it is about cannot be told"
_NOT_READ = (
    *("DiagnosticReport", "ImagingStudy", "Flag", "ClinicalImpression", "DetectedIssue", "RiskAssessment"),
    *("AllergyIntolerance", "NutritionOrder", "DocumentReference", "Composition", "Media"),
)
"""Types of records that give no facts, and may tell a person of a danger."""
_VOID, _OVER = ("entered-in-error", "cancelled", "registered"), ("inactive", "completed", "revoked", "superseded")
_LONG = timedelta(days=90)
"""For so long what was written about the neck may bear on it now, as an operation does."""
_ORDERS = ("ServiceRequest", "DeviceRequest")
_INSIDE = RejectionReason("code", "stands inside another record (contained), and gives no facts: read it yourself")
_LOOKS_LIKE_A_COLLAR = RejectionReason(
    "code",
    "may be about a neck collar, but is not read as an order of a rigid one: where it is one, add its code or its text to the "
    "code map",
)


@dataclass(frozen=True)
class Reading:
    """What was read of one patient.

    ``facts`` and ``not_used`` go into ``Decider.decide``; ``patient`` and ``encounter`` are references (``Patient/1``) for
    what is written back, ``patient_name`` is for display; ``deceased`` is what the Patient resource says.
    """

    facts: tuple[RecordedFact, ...]
    not_used: tuple[NotUsed, ...]
    patient: str | None
    patient_name: str | None
    encounter: str | None
    deceased: bool


def read(sent: object, ruleset: Ruleset, code_map: CodeMap, at: datetime, patient: str | None = None) -> Reading:
    """Read ``sent`` (Bundle, resource, list of resources, or CDS Hooks request, as plain JSON values) at the moment ``at``.

    Facts are those of ``ruleset``, told by the codes of ``code_map``. ``patient`` (a reference or an id) says whose
    records to read; without it the hook's context, the only Patient that was sent, or the only subject of the records
    says so. Raises ReadingError where ``sent`` is nothing of the kind or it stays open which patient is meant,
    ValueError where ``at`` has no time zone.
    """
    if at.tzinfo is None:
        raise ValueError("the moment of reading needs a time zone, for example 2026-01-31T10:00:00Z")
    found = inventory(sent)
    if patient is not None:
        found.patient = patient if "/" in patient or ":" in patient else f"Patient/{patient}"
    return _PatientReading(found, ruleset, code_map, at, picked=patient is not None).finish()


def read_called(
    sent: object, ruleset: Ruleset, code_map: CodeMap, at: datetime, patient: str | None, encounter: str | None
) -> Reading:
    """Read what was ``sent`` with a call about ``patient`` and ``encounter`` (references), as a hook's prefetch is read.

    Whoever calls says that these are the records of that patient, so one of somebody else puts the identity in doubt.
    ``ruleset``, ``code_map``, the moment ``at`` and all else are as in ``read``.
    """
    found = inventory(sent)
    found.patient, found.encounter = patient, encounter
    return _PatientReading(found, ruleset, code_map, at, picked=False).finish()


class _Inside(NamedTuple):
    """A record that stands inside another; ``over`` where that says nothing about now."""

    record: Record
    over: bool


class _PatientReading:
    """One reading in progress. A patient who was ``picked`` out of several may have records of others beside the own."""

    def __init__(self, found: Inventory, ruleset: Ruleset, code_map: CodeMap, at: datetime, *, picked: bool) -> None:
        self.found = found
        self.picked = picked
        self.ruleset = ruleset
        self.code_map = code_map
        self.at = at
        self.ages = AgeQuestion(ruleset)
        self.patients, self.names = self._whose()
        self.identifiers = identifiers_of(
            one for patient in self.patients for one in items(patient.resource, "identifier")
        )
        self.own_references: set[str] = set()
        """References that were found to lead to the patient."""
        self.foreign: list[NotUsed] = []
        self.of_others: list[str] = []
        self.of_nobody: dict[str, list[tuple[Record, RejectionReason]]] = {}
        """By type, records of which nobody can say whether they are about the patient."""
        self.inside: dict[str, list[_Inside]] = {}
        """By type, what stands inside other records."""

    def _whose(self) -> tuple[list[Record], Names]:
        """The Patient resources of the patient who is meant, and all names that a reference to that patient may have."""
        sent = list(self.found.of("Patient"))
        asked = self.found.patient
        if asked is None:
            asked = self._only_name({record.reference or record.label for record in sent} or self._subjects())
        if asked is None:
            return [], Names()
        own = [record for record in sent if asked == record.label or refers_to(asked, names_of(record))]
        return own, Names({as_compared(asked), *self.found.addresses}.union(*map(names_of, own)))

    def _subjects(self) -> set[str]:
        references = map(_subject, self.found.of(*_OF_A_PATIENT))
        return {as_compared(reference) for reference in references if reference is not None}

    def _only_name(self, names: set[str]) -> str | None:
        if len(names) > 1:
            several = ", ".join(shown(name) for name in sorted(names)[:5])
            raise ReadingError(f"records of {len(names)} patients ({several}): say which patient is meant")
        return next(iter(names), None)

    def finish(self) -> Reading:
        self._look_inside()
        encounters = self._own("Encounter")
        encounter = current_encounter(encounters, self.found.encounter, self.at)
        findings = list(weighed(list(self._findings(encounters, encounter)), self.at))
        unasked = list(self._unasked())
        others = [] if self.picked else [*(one.reference or "Patient" for one in unasked), *self.of_others]
        doubts = identity_doubts(self.patients, findings, others, self.at)
        choice = choose([*findings, *doubts], self.ruleset, self.code_map, self.at)
        people = [record.resource for record in self.patients]
        return Reading(
            facts=choice.facts,
            not_used=(*self.found.refused, *unasked, *self.foreign, *choice.not_used),
            patient=next(
                (r.reference for r in self.patients if r.reference), self.found.patient or self._shortest_name()
            ),
            patient_name=next((name for name in map(display_name, people) if name), None),
            encounter=self.found.encounter if encounter is None else encounter.reference,
            deceased=any(is_deceased(person, self.at) for person in people),
        )

    def _shortest_name(self) -> str | None:
        return min(self.names, key=len, default=None)

    def _unasked(self) -> Iterator[NotUsed]:
        own = {id(record) for record in self.patients}
        for record in self.found.of("Patient"):
            if id(record) not in own:
                reason = f"another patient; asked for is {shown(self.found.patient)}"
                yield NotUsed(fact=None, value="Patient", kind="patient", reason=reason, reference=record.label)

    def _findings(self, encounters: Sequence[Record], encounter: Record | None) -> Iterator[Accepted | Rejected]:
        by = (self.code_map, self.ages, self.at)
        coded, observed = CodedRecordReader(*by), ObservationReader(*by)
        readers = (
            ("Observation", observed.observation),
            ("Condition", coded.condition),
            ("Procedure", coded.procedure),
            ("ServiceRequest", coded.service_request),
            ("QuestionnaireResponse", QuestionnaireResponseReader(*by).questionnaire_response),
        )
        for record in self.patients:
            yield from unmodified(record, read_patient(record, self.code_map, self.ages, self.at))
        if encounter is not None:
            locations = ReferenceIndex(self.found.of("Location"))
            yield from unmodified(encounter, read_encounter(encounter, locations, self.code_map, self.at))
        yield from self._reasons(encounters)
        for kind, read_one in readers:
            own = self._own(kind)
            silent = SilentObservations(self.code_map)
            if kind == "Observation":
                own = [record for record in own if not silent.say_nothing(record.resource)]
            now = observed.is_to_be_read if kind == "Observation" else coded.may_hold
            for record in own:
                said = list(unmodified(record, read_one(record)))
                yield from observed_on(said) if kind in _ANSWERED else said
                worn = kind == "Procedure" and any(finding.fact in WORN for finding in said)
                if kind in _CLINICAL and not worn:
                    yield from self._unread(record, now)
            for record, why in self.of_nobody.get(kind, ()):
                yield from self._of_nobody(record, why, read_one(record))
                if kind in _CLINICAL:
                    yield from self._unread(record, now)
            for inner in self.inside.get(kind, ()):
                yield from self._inside(inner, read_one(inner.record))
                if kind in _CLINICAL:
                    yield from self._unread(inner.record, _never if inner.over else now)
                if kind == "Observation":
                    yield from self._inside(inner, observed.summed([inner.record]))
            if kind == "Observation":
                yield from observed.summed(own)
                for record, why in self.of_nobody.get(kind, ()):
                    yield from all_refused(why, observed.summed([record]))
        for record in self.found.of(*_NOT_READ):
            yield from self._not_read(record, self._foreign(record))
        for inner in chain.from_iterable(self.inside.get(kind, ()) for kind in _NOT_READ):
            yield from self._not_read(inner.record, None, over=inner.over)
        for record in self.found.of(*_ORDERS):
            yield from self._look_alike(record)
            yield from self._standing_order(record)
        uses, devices = self._own("DeviceUseStatement"), list(self.found.of("Device"))
        index = ReferenceIndex(devices)
        yield from read_device_uses(uses, index, self.code_map, self.at)
        yield from read_uses_of_nobody(self.of_nobody.get("DeviceUseStatement", ()), index, self.code_map, self.at)
        mine = (device for device in devices if refers_to(_owner(device) or "", self.names))
        yield from read_devices(mine, uses, index, self.code_map)

    def _of_nobody(
        self, record: Record, why: RejectionReason, findings: Iterable[Accepted | Rejected]
    ) -> Iterator[Rejected]:
        """The ``findings`` of ``record``, refused for ``why``: what says no fact is listed as its type."""
        said = [finding for finding in all_refused(why, findings) if finding.fact is not None]
        yield from said or [Rejected(None, record.type, why, record.label)]

    def _look_inside(self) -> None:
        """Sort what stands inside other records, beside what is about somebody else or was entered in error.

        Of a Patient, a Device or a Location the record around it is the reader.
        """
        for around, record in self.found.contained():
            read_here = record.type in _READ_INSIDE or record.type in _NOT_READ
            if not read_here or self._is_of_another(around) or around.resource.get("status") in _VOID:
                continue
            beside = (_subject(record) or "").startswith("#")
            if not beside and (problem := self._foreign(record)) is not None and not problem.unsettled:
                self.foreign.append(
                    NotUsed(fact=None, value=record.type, kind="patient", reason=problem.text, reference=record.label)
                )
                continue
            ended = around.type == "Encounter" and not may_run(around.resource)
            over = ended or _of_old(around.resource, self.at)
            self.inside.setdefault(record.type, []).append(_Inside(record, over))

    def _inside(self, inner: _Inside, findings: Iterable[Accepted | Rejected]) -> Iterator[Rejected]:
        """The ``findings`` of what stands inside another record: none is a fact, and a danger is to be looked up."""
        for finding in findings:
            leads = (
                finding.fact in self.code_map.leading_words and isinstance(finding, Accepted) and finding.value is True
            )
            fact = finding.fact if leads and not inner.over else None
            yield from all_refused(_INSIDE._replace(unsettled=not inner.over, may_be=fact), [finding])

    def _reasons(self, encounters: Iterable[Record]) -> Iterator[Rejected]:
        """What those of ``encounters`` that may run say of their reasons, and those of which nobody can say whose they are."""
        of_nobody = self.of_nobody.get("Encounter", ())
        for record, why in of_nobody:
            yield Rejected(None, record.type, why, record.label)
        conditions = ReferenceIndex(self.found.of("Condition"))
        for record in (*encounters, *(record for record, _ in of_nobody)):
            yield from read_reasons(record, conditions, self.code_map)

    def _unread(self, record: Record, now: Callable[[Record], bool]) -> Iterator[Rejected]:
        """What ``record`` says about neck, spine, airway or another danger with codes that no fact is mapped to.

        For a person to read is what may be so ``now``.
        """
        for found in unread_concepts(record.resource, self.code_map):
            kind: RefusalKind = "unread" if now(record) and not found.slight and not found.bare else "code"
            said = _A_CODE_ALONE if found.bare else TOO_LONG if found.cut else _NOT_MAPPED
            why = RejectionReason(kind, said, may_be=found.may_be)
            yield Rejected(None, shown(found.words), why, record.label)

    def _not_read(self, record: Record, whose: RejectionReason | None, *, over: bool = False) -> Iterator[Rejected]:
        """The words of ``record``, of a type that gives no facts, where they are about the neck or another danger.

        ``whose`` says why it cannot be taken as the patient's, ``over`` that the record around it is.
        """
        resource = record.resource
        if (whose is not None and not whose.unsettled) or resource.get("status") in _VOID:
            return
        written = words_about_the_neck(resource, self.code_map)
        if written is None:
            return
        gone = over or resource.get("status") in _OVER or _of_old(resource, self.at)
        if written.cut:
            what = f"{shown(record.type)} that says more than is looked at"
        else:
            what = f"{shown(record.type)} about neck, spine, airway or another danger"
        why = f"{what} gives no facts: read it yourself"
        if whose is not None:
            why = f"{whose.text}; a {why}"
        leading = None if gone or denies(written.text, self.code_map) else may_be([written.text], (), self.code_map)
        reason = RejectionReason("code" if gone else "unread", why, may_be=leading)
        yield Rejected(None, shown(written.text), reason, record.label)

    def _look_alike(self, record: Record) -> Iterator[Rejected]:
        """The words of an order that stands and may be for a collar, of which the code map knows nothing."""
        if record.resource.get("status") not in STANDING or self._is_of_another(record):
            return
        written = self.code_map.order_look_alike(record.resource)
        if written is not None:
            in_doubt = is_to_be_done(record.resource) is None
            yield Rejected(None, shown(written), MAY_BE_FORBIDDEN if in_doubt else _LOOKS_LIKE_A_COLLAR, record.label)

    def _standing_order(self, record: Record) -> Iterator[Rejected]:
        """That a collar which an order is for may be on."""
        believed = self.ruleset.stale_after_hours(self.ruleset.vocabulary[IN_PLACE])
        if believed is not None and not self._is_of_another(record):
            yield from read_standing_order(record, self.code_map, self.at, timedelta(hours=believed))

    def _own(self, kind: str) -> list[Record]:
        """The records of ``kind`` that belong to the patient; the others are listed as foreign."""
        own = []
        for record in self.found.of(kind):
            subject = record.resource.get("subject")
            reference = subject.get("reference") if isinstance(subject, dict) else None
            known = isinstance(reference, str) and reference in self.own_references
            if known and "focus" not in record.resource:  # Most records, told at once.
                own.append(record)
                continue
            self._sort(record, kind, own)
        return own

    def _sort(self, record: Record, kind: str, own: list[Record]) -> None:
        """Put ``record`` among the patient's ``own``, those of nobody, or list it as about somebody else."""
        problem = self._foreign(record)
        if problem is None:
            problem = self._other_focus(record.resource) if kind == "Observation" else None
        elif not problem.unsettled:
            self.of_others.append(record.label)
        if problem is None:
            own.append(record)
        elif problem.unsettled and kind in _READ_OF_NOBODY:
            self.of_nobody.setdefault(kind, []).append((record, problem))
        else:
            self.foreign.append(
                NotUsed(fact=None, value=kind, kind="patient", reason=problem.text, reference=record.label)
            )

    def _foreign(self, record: Record) -> RejectionReason | None:
        """Why ``record`` cannot be taken as the patient's, or None where it can; unsettled where nobody can say whose it is."""
        subject = mapping(record.resource, "subject")
        if not subject and record.type in _NOT_READ:
            subject = mapping(record.resource, "patient")
        reference = text(subject, "reference")
        if reference is None:
            return self._otherwise_named(subject)
        if refers_to(reference, self.names):
            self.own_references.add(reference)
            return None
        return RejectionReason("patient", f"belongs to {shown(reference)}, not to the patient asked for")

    def _is_of_another(self, record: Record) -> bool:
        """Whether ``record`` says that it is of somebody else."""
        problem = self._foreign(record)
        return problem is not None and not problem.unsettled

    def _otherwise_named(self, subject: dict[str, Any]) -> RejectionReason | None:
        """As ``_foreign``, for a ``subject`` without a reference: it may name the patient by an identifier (R4, Reference)."""
        named = identifiers_of([subject.get("identifier")])
        if named & self.identifiers:
            return None
        if any(system == known for system, _ in named for known, _ in self.identifiers):
            return RejectionReason("patient", "belongs to somebody with another identifier than the patient asked for")
        return RejectionReason("patient", "does not say whose record it is", unsettled=True)

    def _other_focus(self, observation: dict[str, Any]) -> RejectionReason | None:
        """Why an Observation of the patient's record is about somebody else (R4, Observation.focus: a fetus, a donor, a parent).

        A focus that is a thing of the patient's (a wound, a device) leaves it about the patient. Of what does not tell its type
        nobody can say.
        """
        for focus in items(observation, "focus"):
            reference = text(focus, "reference")
            if reference is not None and refers_to(reference, self.names):
                continue
            kind = text(focus, "type") or (None if reference is None else type_referred_to(reference))
            if kind in PERSONS:
                return RejectionReason("patient", f"is about {shown(reference or kind)} (focus), not about the patient")
            if kind is None:
                return RejectionReason("patient", "does not say what it is about (focus)", unsettled=True)
        return None


def _never(record: Record) -> bool:
    """Whether ``record``, which is over, may be so now."""
    return False


def _of_old(resource: dict[str, Any], at: datetime) -> bool:
    """Whether ``resource`` is of a time that is long over; what has no time that can be read may be of now."""
    for key in ("effectiveDateTime", "issued", "date", "started", "recordedDate", "dateTime", "created"):
        try:
            return at - moment(resource.get(key), at.tzinfo) > _LONG
        except DateError:
            continue
    return False


def _owner(device: Record) -> str | None:
    """Whose device ``device`` says it is, or None where it does not say."""
    return text(mapping(device.resource, "patient"), "reference")


def _subject(record: Record) -> str | None:
    """Whose record ``record`` says it is, or None where it does not say."""
    return text(mapping(record.resource, "subject"), "reference")
