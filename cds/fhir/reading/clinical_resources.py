"""The resources that record observations: Observation, Condition, Procedure, ServiceRequest and QuestionnaireResponse.

Each reader yields what it found and what it refused; a code that the map does not know yields nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from cds.fhir.json_access import items, mapping, shown, text
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.code_map import CodeMap, CodingKey, Meaning, codings_of
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.patient import AGE, AgeQuestion
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.reading.value_parser import RefusedValue, Value, implied_values, stated_value

_FINAL = ("final", "amended", "corrected")
_ANSWERED = ("completed", "amended")
_DONE = ("completed", "in-progress")
_INTENDED = ("order", "original-order", "reflex-order", "filler-order", "instance-order", "plan", "directive")
_PRESENT = ("active", "recurrence", "relapse")
_REFUTED_BELOW_ALL = -1
"""That one diagnosis was refuted says little: any record of the opposite stands above it."""

_YEAR = timedelta(days=365.2425)
_MOST_ITEMS = 10_000


class When(NamedTuple):
    """When something was so: the moment, or None where none is recorded, and why the times cannot be used, if so."""

    moment: datetime | None = None
    problem: RejectionReason | None = None


@dataclass(frozen=True)
class Reader:
    """Reads single resources at the moment ``at`` by ``code_map``; ``ages`` decides whether a coarse age can be used."""

    code_map: CodeMap
    ages: AgeQuestion
    at: datetime

    # --- Observation ---------------------------------------------------------------------------------------------------

    def observation(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from the value of an Observation and from those of its components."""
        observation = record.resource
        when = self.when(
            observation, "effectiveDateTime", "effectiveInstant", "effectivePeriod", "effectiveTiming", "issued"
        )
        problem = _status_problem(observation, _FINAL)
        components = items(observation, "component")
        if not components or any(key.startswith("value") for key in observation):
            yield from self.part(observation, record, when, problem)
        for component in components:
            yield from self.part(component, record, when, problem)

    def part(
        self, part: object, record: Record, when: When, problem: RejectionReason | None
    ) -> Iterator[Accepted | Rejected]:
        """Facts from an Observation or one of its components, whose status already has ``problem``."""
        meanings, trouble = self.meanings(part, record)
        if trouble is not None:
            yield trouble
        elif not meanings and (unreadable := _code_problem(part)) is not None:
            yield Rejected(None, shown(part), unreadable, record.label, when.moment)
        elif meanings and isinstance(part, dict):
            yield self.stated(part, meanings, record, when, problem)

    def stated(
        self,
        holder: dict[str, Any],
        meanings: tuple[Meaning, ...],
        record: Record,
        when: When,
        problem: RejectionReason | None,
    ) -> Accepted | Rejected:
        """The fact that ``holder`` states by a value[x]; refused by ``problem``, a bad value, or a bad time."""
        fact: str | None = meanings[0].fact
        if holder.get("modifierExtension"):
            problem = problem or RejectionReason("modifier", "carries modifierExtension, which may change its meaning")
        try:
            value = self._moment_of(holder, meanings) or stated_value(holder, meanings, self.code_map)
        except RefusedValue as refusal:
            return Rejected(fact, refusal.written, problem or refusal.why, record.label, when.moment)
        problem = problem or when.problem
        if problem is not None:
            return Rejected(value.fact, value.written, problem, record.label, when.moment)
        if value.fact in self.code_map.elapsing:
            return self._elapsed(value, record, When(self.at) if "valueDateTime" in holder else when)
        return self._aged(value, record, when) if value.fact == AGE else _found(value, record, when)

    def _moment_of(self, holder: dict[str, Any], meanings: tuple[Meaning, ...]) -> Value | None:
        """The hours from a valueDateTime until now, for a fact that counts hours; None where it is nothing of the kind."""
        written, fact = holder.get("valueDateTime"), meanings[0].fact
        if written is None or fact not in self.code_map.elapsing:
            return None
        try:
            hours = (self.at - moment(written, self.at.tzinfo)).total_seconds() / 3600
        except DateError as error:
            raise RefusedValue(
                shown(written), RejectionReason("malformed", f"malformed valueDateTime: {error}")
            ) from error
        return Value(fact, hours, shown(written))

    def _elapsed(self, value: Value, record: Record, when: When) -> Accepted | Rejected:
        """Hours since something, as of now."""
        if when.moment is None:
            why = RejectionReason("no time", "no time is recorded, so it cannot be told how many hours it is by now")
            return Rejected(value.fact, value.written, why, record.label)
        hours = float(value.value) + max(0.0, (self.at - when.moment).total_seconds() / 3600)
        definition = self.code_map.vocabulary[value.fact]
        problem = definition.problem(hours)
        if problem is not None:
            why = RejectionReason("implausible", f"{problem}: {hours:.1f} h by now; accepted: {definition.accepted}")
            return Rejected(value.fact, value.written, why, record.label, when.moment)
        return _found(Value(value.fact, hours, value.written), record, when, ages=False)

    def _aged(self, value: Value, record: Record, when: When) -> Accepted | Rejected:
        """An age that was noted once, brought forward to now; whole years mean any moment of that year of life."""
        if when.moment is None:
            return Rejected(
                AGE, value.written, RejectionReason("no time", "no time is recorded for the age"), record.label
            )
        if when.moment.astimezone(self.at.tzinfo).date() == self.at.date():
            return _found(value, record, when, ages=False)
        youngest = float(value.value) + max(0.0, (self.at - when.moment) / _YEAR)
        oldest = youngest + (1 if float(value.value).is_integer() else 0.1)
        problem = self.ages.problem(youngest, oldest)
        if problem is not None:
            return Rejected(AGE, value.written, problem, record.label, when.moment)
        return _found(Value(AGE, youngest, value.written), record, when, ages=False)

    # --- Condition, Procedure, ServiceRequest: the code alone says it ---------------------------------------------------

    def condition(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from a diagnosis that stands. One that was refuted says no; one that is gone says nothing about now."""
        condition = record.resource
        verification = _concept_code(condition, "verificationStatus")
        clinical = _concept_code(condition, "clinicalStatus")
        when = self.when(condition, "recordedDate", "onsetDateTime", "onsetPeriod")
        refuted = verification == "refuted"
        problem = None
        if verification not in (None, "confirmed", "refuted"):
            problem = RejectionReason("status", f"verificationStatus is {shown(verification)}")
        elif not refuted and clinical is not None and clinical not in _PRESENT:
            problem = RejectionReason("status", f"clinicalStatus is {shown(clinical)}, which says nothing about now")
        elif not refuted and clinical is None and any(key.startswith("abatement") for key in condition):
            problem = RejectionReason("status", "it has abated, which says nothing about now")
        for finding in self.implied(record, [condition.get("code")], when, problem):
            if not refuted or isinstance(finding, Rejected):
                yield finding
            elif finding.value is True:
                yield _found(
                    Value(finding.fact, False, f"refuted: {finding.written}"), record, when, standing=_REFUTED_BELOW_ALL
                )

    def procedure(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from a procedure that is done or under way."""
        procedure = record.resource
        when = self.when(procedure, "performedDateTime", "performedPeriod")
        yield from self.implied(record, [procedure.get("code")], when, _status_problem(procedure, _DONE))

    def service_request(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from an order in force, by its code or its category. What is still to come does not grow stale."""
        order = record.resource
        problem = _status_problem(order, ("active",))
        if problem is None and order.get("doNotPerform") not in (None, False):
            problem = RejectionReason("status", "orders that it not be done")
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
        written = order.get("occurrenceDateTime", mapping(order, "occurrencePeriod").get("end"))
        if written is None:
            return When()
        try:
            due = moment(written, self.at.tzinfo)
        except DateError as error:
            return When(problem=RejectionReason("malformed", f"malformed occurrence {shown(written)}: {error}"))
        whole_day = isinstance(written, str) and "T" not in written
        return When(due + timedelta(days=1) if whole_day else due)

    def implied(
        self, record: Record, concepts: list[object], when: When, problem: RejectionReason | None, *, ages: bool = True
    ) -> Iterator[Accepted | Rejected]:
        """What the codes of ``concepts`` say by being there, or their refusal for ``problem`` or a bad time."""
        if concepts[0] is not None and not isinstance(concepts[0], dict):
            why = RejectionReason("malformed", "malformed: code is not an object")
            yield Rejected(None, shown(concepts[0]), why, record.label)
        for concept in concepts:
            meanings, trouble = self.meanings({"code": concept}, record)
            if trouble is not None:
                yield trouble
                continue
            written = text(concept, "text") or " ".join(coding.code for coding in codings_of(concept))
            values = implied_values(meanings, self.code_map, shown(written))
            if meanings and not values:
                why = RejectionReason("code", "the code alone does not say which value")
                yield Rejected(meanings[0].fact, shown(written), why, record.label)
            for value in values:
                reason = problem or when.problem
                if reason is not None:
                    yield Rejected(value.fact, value.written, reason, record.label, when.moment)
                else:
                    yield _found(value, record, when, ages=ages)

    # --- QuestionnaireResponse -----------------------------------------------------------------------------------------

    def questionnaire_response(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from the answers to items whose linkId is a fact's code or name."""
        response = record.resource
        when, problem = self.when(response, "authored"), _status_problem(response, _ANSWERED)
        waiting = items(response, "item")[::-1]
        for _ in range(_MOST_ITEMS):
            if not waiting:
                return
            item = waiting.pop()
            waiting.extend(items(item, "item")[::-1])
            for answer in items(item, "answer"):
                waiting.extend(items(answer, "item")[::-1])
            yield from self._answer(item, record, when, problem)
        why = RejectionReason("incomplete", f"only the first {_MOST_ITEMS} items were read")
        yield Rejected(None, "items", why, record.label)

    def _answer(
        self, item: object, record: Record, when: When, problem: RejectionReason | None
    ) -> Iterator[Accepted | Rejected]:
        link = text(item, "linkId") or ""
        definition = self.code_map.vocabulary.get(link)
        code = link if definition is None else definition.code
        meanings = self.code_map.meanings([CodingKey(self.code_map.own_facts, code)])
        if definition is not None:
            meanings = tuple(meaning for meaning in meanings if meaning.fact == link)
        answers = items(item, "answer")
        if not meanings or not answers:
            return
        if len(answers) > 1:
            why = RejectionReason("malformed", "expected one answer")
            yield Rejected(meanings[0].fact, f"{len(answers)} answers", why, record.label, when.moment)
        elif isinstance(answers[0], dict):
            yield self.stated(answers[0], meanings, record, when, problem)
        else:
            why = RejectionReason("malformed", "malformed: an answer is no object")
            yield Rejected(meanings[0].fact, shown(answers[0]), why, record.label)

    # --- shared --------------------------------------------------------------------------------------------------------

    def meanings(self, holder: object, record: Record) -> tuple[tuple[Meaning, ...], Rejected | None]:
        """What the ``code`` of ``holder`` means for this type of resource; refused is an unknown code of our own system."""
        codings = codings_of(holder.get("code")) if isinstance(holder, dict) else ()
        known = self.code_map.meanings(codings)
        meanings = tuple(meaning for meaning in known if meaning.only in (None, record.type))
        own = [coding.code for coding in codings if coding.system == self.code_map.own_facts]
        if own and not known:
            why = RejectionReason("code", f"{self.code_map.own_facts} has no such code; `nuque facts` lists them")
            return (), Rejected(None, shown(own[0]), why, record.label)
        return meanings, None

    def when(self, resource: dict[str, Any], *keys: str) -> When:
        """The first of the times under ``keys`` that is there. A period counts by its end, or its start while it goes on."""
        for key in keys:
            written = resource.get(key)
            if written is None:
                continue
            if key.endswith("Timing"):
                return When(problem=RejectionReason("no time", f"{key} is not read; give a moment or a period"))
            try:
                found = self._moment(key, written)
            except DateError as error:
                return When(problem=RejectionReason("malformed", f"malformed {key} {shown(written)}: {error}"))
            if found > self.at + timedelta(minutes=self.code_map.future_tolerance_minutes):
                return When(found, RejectionReason("future", f"dated in the future ({key} {found.isoformat()})"))
            return When(found)
        return When()

    def _moment(self, key: str, written: object) -> datetime:
        if not key.endswith("Period"):
            return moment(written, self.at.tzinfo)
        end = written.get("end") if isinstance(written, dict) else None
        if end is not None and (ended := moment(end, self.at.tzinfo)) <= self.at:
            return ended
        return moment(written.get("start") if isinstance(written, dict) else None, self.at.tzinfo)


def _found(value: Value, record: Record, when: When, *, standing: int = 0, ages: bool = True) -> Accepted:
    return Accepted(value.fact, value.value, value.written, record.label, record.reference, when.moment, standing, ages)


def _code_problem(part: object) -> RejectionReason | None:
    """What keeps anybody from telling what ``part`` (an Observation or a component) is about; None where it has a code."""
    code = part.get("code") if isinstance(part, dict) else None
    if not isinstance(code, dict) or not code:
        return RejectionReason("malformed", "malformed: no code")
    listed = code.get("coding", [])
    if not isinstance(listed, list) or not all(isinstance(coding, dict) for coding in listed):
        return RejectionReason("malformed", "malformed code: coding is no list of Codings")
    pairs = (coding.get(key, "") for coding in listed for key in ("system", "code"))
    if all(isinstance(written, str) for written in pairs):
        return None
    return RejectionReason("malformed", "malformed code: system and code are texts")


def _status_problem(resource: dict[str, Any], usable: tuple[str, ...]) -> RejectionReason | None:
    status = resource.get("status")
    if status in usable:
        return None
    return (
        RejectionReason("malformed", "malformed: no status")
        if status is None
        else RejectionReason("status", f"status is {shown(status)}")
    )


def _concept_code(resource: dict[str, Any], key: str) -> str | None:
    """The code of a status that is a CodeableConcept; None where there is none, words that say so where it is malformed."""
    if resource.get(key) is None:
        return None
    codes = [text(coding, "code") for coding in items(resource[key], "coding")]
    return next((code for code in codes if code), "malformed")
