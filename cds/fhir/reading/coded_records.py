"""Conditions, procedures and orders: the code alone says it.

A diagnosis that is only suspected (provisional, unconfirmed, differential) is no finding, but a danger that the code map names
under ``safer`` is taken for so: a fracture of the neck is provisional until the CT is read, and that is when the collar and the
log-roll matter most. Being wrong costs care for some hours; waiting for the confirmation can cost the cord. A newer record that
denies it, or the same diagnosis refuted or entered in error, ends it. What is no danger, and the reassuring answer, wait for the
confirmation.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from cds.fhir.json_access import codings, items, mapping, shown, text
from cds.fhir.prohibition import is_to_be_done
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.clinical_record import ClinicalRecordReader, When, status_problem
from cds.fhir.reading.code_map import codings_of
from cds.fhir.reading.dates import DateError, ends_before_it_starts, moment
from cds.fhir.reading.device_use import MAY_BE_FORBIDDEN, read_procedure_on_the_neck
from cds.fhir.reading.reconciliation import Accepted, Rejected, all_refused, stale
from cds.fhir.reading.rejection import RejectionReason, several_of_a_choice
from cds.fhir.reading.value_parser import Value

_DONE = ("completed", "in-progress")
_NOT_DONE = ("preparation", "not-done", "on-hold", "stopped", "entered-in-error")
_INTENDED = ("order", "original-order", "reflex-order", "filler-order", "instance-order", "plan", "directive")
_PRESENT = ("active", "recurrence", "relapse")
_GONE = ("inactive", "remission", "resolved")
_SUSPECTED = ("provisional", "unconfirmed", "differential")
_IN_ERROR = "entered-in-error"
_LATE = timedelta(days=90)
"""For so long an operation may bear on the neck of now."""
DAYS_OF = {len("2026"): 366, len("2026-01"): 31, len("2026-01-31"): 1}
"""How many days a date of so many characters may mean at the most."""
_FORBIDDEN = RejectionReason("status", "orders that it not be done")
_REFUTED_BELOW_ALL = -1
"""That one diagnosis was refuted says little: any record of the opposite stands above it."""


@dataclass(frozen=True)
class CodedRecordReader(ClinicalRecordReader):
    """Reads Conditions, Procedures and ServiceRequests."""

    def condition(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from ``record``, a diagnosis that stands.

        One that was refuted says no; one that is gone says nothing about now.
        """
        condition = record.resource
        verification = _concept_code(condition, "verificationStatus")
        clinical = _concept_code(condition, "clinicalStatus")
        when = self.when(condition, "recordedDate", "onsetDateTime", "onsetPeriod")
        refuted = verification == "refuted"
        if refuted:
            when = when._replace(latest=None)
        elif when == When() and clinical in _PRESENT:
            when = When(latest=self.at)  # What is active is so now, whenever it began.
        problem = None
        suspected = verification in _SUSPECTED
        if verification == _IN_ERROR:
            problem = RejectionReason("status", f"verificationStatus is {verification}")
        elif not refuted and clinical in _GONE:
            problem = RejectionReason("status", f"clinicalStatus is {clinical}, which says nothing about now")
        elif not refuted and clinical is None and any(key.startswith("abatement") for key in condition):
            problem = RejectionReason("status", "it has abated, which says nothing about now")
        elif verification not in (None, "confirmed", "refuted", *_SUSPECTED):
            problem = RejectionReason("status", f"verificationStatus is {shown(verification)}", unsettled=True)
        elif not refuted and clinical is not None and clinical not in _PRESENT:
            said = f"clinicalStatus is {shown(clinical)}, so whether it holds cannot be told"
            problem = RejectionReason("status", said, unsettled=True)
        injury: Accepted | None = None
        for finding in self.implied(record, [condition.get("code")], when, problem):
            if isinstance(finding, Rejected):
                yield finding._replace(says=not finding.says) if refuted and finding.says in (True, False) else finding
            elif refuted:
                if finding.value is True:
                    denied = Value(finding.fact, False, f"refuted: {finding.written}")
                    yield self.accepted(denied, record, when, standing=_REFUTED_BELOW_ALL)
            else:
                found = self._suspected(finding, verification) if suspected else finding
                found = self._of_its_age(found, condition) if isinstance(found, Accepted) else found
                yield found
                if injury is None and isinstance(found, Accepted) and self._is_injury(found):
                    injury = found
        if injury is not None:
            yield from self._hours_since(injury, condition)

    def _is_injury(self, found: Accepted) -> bool:
        return self.code_map.episode.is_injury(found.fact, found.value)

    def _hours_since(self, injury: Accepted, condition: dict[str, Any]) -> Iterator[Accepted]:
        """How long ago ``injury`` was, which ``condition`` says.

        Only an onset with its time of day tells it, where the diagnosis was recorded later: a form that fills in both says when
        somebody wrote.
        """
        fact, onset = self.code_map.episode.hours, condition.get("onsetDateTime")
        began = _last_moment(onset, self.at) if isinstance(onset, str) and "T" in onset else None
        if began is None or fact is None:
            return
        before = condition.get("recordedDate") is None or (injury.recorded is not None and began < injury.recorded)
        hours = (self.at - began).total_seconds() / 3600
        if before and self.code_map.vocabulary[fact].problem(hours) is None:
            yield injury._replace(fact=fact, value=hours, written=f"{injury.written}, {onset}", ages=False, latest=None)

    def _of_its_age(self, finding: Accepted, condition: dict[str, Any]) -> Accepted | Rejected:
        """``finding`` of a diagnosis that stands, as old as it is; refused where that is too old to be of now."""
        rule = self.code_map.of_old.get(finding.fact)
        if rule is None:
            return finding
        onset, dated = _last_moment(condition.get("onsetDateTime"), self.at), condition.get("recordedDate") is not None
        spoken, kinds = finding.speaks_of, _categories(condition)
        if onset is not None and (not dated or (finding.recorded is not None and onset < finding.recorded)):
            spoken = onset
        elif finding.recorded is None and not rule.visits and "problem-list-item" in kinds:
            spoken = None
        visit = "encounter-diagnosis" in kinds and "problem-list-item" not in kinds
        if rule.visits and (not visit or spoken is None):
            return finding
        if rule.hours is None:
            return finding._replace(latest=spoken, may_hold_on=rule.look and spoken is not None)
        if spoken is None:
            why = RejectionReason("no time", "no time is recorded, so it may be older than what is of now")
            return Rejected(finding.fact, finding.written, why, finding.label, None, finding.value)
        hours = (self.at - spoken).total_seconds() / 3600
        if hours <= rule.hours:
            return finding
        why = stale(hours, rule.hours)._replace(look_up=rule.look)
        asked = f"{finding.written} ({spoken:%Y-%m-%d}: does it still hold?)" if rule.look else finding.written
        return Rejected(finding.fact, asked, why, finding.label, finding.recorded, finding.value)

    def _suspected(self, finding: Accepted, verification: str | None) -> Accepted | Rejected:
        """``finding`` of a diagnosis that is only suspected: used where it is a danger, else refused."""
        if self.code_map.safer.get(finding.fact) == finding.value:
            return finding._replace(written=f"suspected ({verification}): {finding.written}")
        why = RejectionReason("status", f"verificationStatus is {shown(verification)}")
        return Rejected(finding.fact, finding.written, why, finding.label, finding.recorded, finding.value)

    def may_hold(self, record: Record) -> bool:
        """Whether what ``record`` says may be so now: a diagnosis neither refuted nor gone, or a procedure of late.

        What has a status that cannot be read may be.
        """
        resource = record.resource
        if resource["resourceType"] == "Condition":
            denied = _concept_code(resource, "verificationStatus") in ("refuted", _IN_ERROR)
            gone = any(key.startswith("abatement") for key in resource)
            clinical = _concept_code(resource, "clinicalStatus")
            return not denied and (not gone if clinical is None else clinical not in _GONE)
        if resource["resourceType"] != "Procedure" or resource.get("status") in _NOT_DONE:
            return False
        done = self.when(resource, "performedDateTime", "performedPeriod").moment
        return done is None or self.at - done <= _LATE

    def procedure(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from ``record``, a procedure that is done or under way.

        Also what one that nobody mapped says of a collar or a halo.
        """
        procedure = record.resource
        when = self.when(procedure, "performedDateTime", "performedPeriod")
        problem = status_problem(procedure, _DONE)
        yield from self.implied(record, [procedure.get("code")], when, problem)
        mapped = self.code_map.meanings(codings_of(procedure.get("code")))
        if not mapped and procedure.get("status") not in _NOT_DONE:
            for finding in read_procedure_on_the_neck(record, when.moment, self.code_map, self.at):
                # That a device came off is believed only of what is known to be done.
                yield from [finding] if problem is None else all_refused(problem, [finding])

    def service_request(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from ``record``, an order in force, by its code or its category. What is still to come does not grow stale."""
        order = record.resource
        problem = status_problem(order, ("active",))
        to_be_done = is_to_be_done(order)
        if problem is None and not to_be_done:
            problem = _FORBIDDEN if to_be_done is False else MAY_BE_FORBIDDEN
        if problem is None and order.get("intent") not in _INTENDED:
            problem = RejectionReason("status", f"intent is {shown(order.get('intent'))}")
        due, when = self._due(order), self.when(order, "authoredOn")
        if due.problem is None and due.moment is not None and due.moment < self.at:
            problem = problem or RejectionReason("status", f"was due by {due.moment:%Y-%m-%d %H:%M}")
        concepts = [order.get("code"), *items(order, "category")]
        to_come = due.moment is not None
        yield from self.implied(record, concepts, when, problem or due.problem, ages=not to_come)

    def _due(self, order: dict[str, Any]) -> When:
        """The last moment that the order is for; none where it does not say."""
        several = several_of_a_choice(order, "occurrence")
        if several is not None:
            return When(problem=several)
        if ends_before_it_starts(order.get("occurrencePeriod"), self.at.tzinfo):
            return When(problem=RejectionReason("malformed", "malformed occurrencePeriod: it ends before it starts"))
        written = order.get("occurrenceDateTime", mapping(order, "occurrencePeriod").get("end"))
        if written is None:
            return When()
        try:
            due = moment(written, self.at.tzinfo)
        except DateError as error:
            return When(problem=RejectionReason("malformed", f"malformed occurrence {shown(written)}: {error}"))
        whole_day = isinstance(written, str) and "T" not in written
        return When(due + timedelta(days=1) if whole_day else due)


def _last_moment(onset: object, at: datetime) -> datetime | None:
    """The last moment that ``onset`` (a dateTime, which may be as coarse as a year) may mean, no later than ``at``."""
    try:
        first = moment(onset, at.tzinfo)
    except DateError:
        return None
    return min(first + timedelta(days=DAYS_OF.get(len(str(onset)), 0)), at)


def _categories(condition: dict[str, Any]) -> set[str | None]:
    return {
        coding.get("code") for coding in codings(items(condition, "category")) if isinstance(coding.get("code"), str)
    }


def _concept_code(resource: dict[str, Any], key: str) -> str | None:
    """The code of a status that is a CodeableConcept; None where there is none, words that say so where it is malformed."""
    if resource.get(key) is None:
        return None
    codes = [text(coding, "code") for coding in items(resource[key], "coding")]
    return next((code for code in codes if code), "malformed")
