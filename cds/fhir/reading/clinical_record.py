"""What reading has in common for every record of an observation: its time, its codes, the facts that they give.

A reader yields what it accepted and what it rejected.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from difflib import get_close_matches
from functools import cache
from typing import Any, NamedTuple

from cds.fhir.json_access import choice_keys, shown, text
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.code_map import CodeMap, Meaning, codings_of
from cds.fhir.reading.dates import DateError, ends_before_it_starts, is_day, moment
from cds.fhir.reading.patient import AGE, AS_NOTED_DAYS, AgeQuestion
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason, several_of_a_choice
from cds.fhir.reading.value_parser import RefusedValue, Value, implied_values, stated_value
from rules.model.durations import duration_words

_YEAR = timedelta(days=365.2425)
_SETTLED = {
    "Observation": ("cancelled", "entered-in-error"),
    "Procedure": ("preparation", "not-done", "on-hold", "stopped", "entered-in-error"),
    "ServiceRequest": ("draft", "on-hold", "revoked", "completed", "entered-in-error"),
    "QuestionnaireResponse": ("stopped", "entered-in-error"),
}
"""By type the states of R4 that say that something is not so, or no longer. Any other leaves that open: what nobody has signed yet,
what may be in any state (``unknown``), and what R4 has no such code for, in another case or another form too."""


_ONE_TIME = ("effective", "performed", "onset")
"""Elements that hold a time of one type at the most (R4, choice of data types)."""
_MODIFIED = RejectionReason("modifier", "carries modifierExtension, which may change its meaning")
_SAID_TO_LACK = RejectionReason(
    "malformed", "malformed: a value beside dataAbsentReason, which says that there is none"
)


class When(NamedTuple):
    """When something was so: the moment, or None where none is recorded, and why the times cannot be used, if so.

    ``latest`` is the last moment that is meant, where that is later: of a day its end, of what goes on the present.
    """

    moment: datetime | None = None
    problem: RejectionReason | None = None
    latest: datetime | None = None


def status_problem(resource: dict[str, Any], usable: tuple[str, ...]) -> RejectionReason | None:
    """Why the ``status`` of ``resource`` keeps it from being used; None where it is one of ``usable``.

    Unsettled where it does not say that what is written is not so: a status that cannot be read is no "no".
    """
    status = resource.get("status")
    if status in usable:
        return None
    return (
        RejectionReason("malformed", "malformed: no status")
        if status is None
        else RejectionReason(
            "status",
            f"status is {shown(status)}",
            unsettled=status not in _SETTLED.get(str(resource.get("resourceType")), ()),
        )
    )


def holder_problem(holder: dict[str, Any]) -> RejectionReason | None:
    """Why the value of ``holder`` (an Observation, a component, an answer) cannot be believed, whatever it says.

    It carries what may change its meaning, or says itself that there is no value (R4, obs-6); None where neither is so.
    """
    if holder.get("modifierExtension"):
        return _MODIFIED
    return _SAID_TO_LACK if holder.get("dataAbsentReason") is not None and choice_keys(holder, "value") else None


def code_problem(concept: object) -> RejectionReason | None:
    """What keeps anybody from telling what the CodeableConcept ``concept`` says; None where it can be read."""
    if concept in (None, {}):
        return RejectionReason("malformed", "malformed: no code")
    if not isinstance(concept, dict):
        return RejectionReason("malformed", "malformed: code is not an object")
    listed = concept.get("coding", [])
    if not isinstance(listed, list) or not all(isinstance(coding, dict) for coding in listed):
        return RejectionReason("malformed", "malformed code: coding is not a list of Codings")
    pairs = (coding.get(key, "") for coding in listed for key in ("system", "code"))
    if not all(isinstance(written, str) for written in pairs):
        return RejectionReason("malformed", "malformed code: system and code are texts")
    if not isinstance(concept.get("text", ""), str):
        return RejectionReason("malformed", "malformed code: text is not a text")
    return None


def _goes_on(resource: dict[str, Any], key: str) -> bool:
    """Whether a period under ``key`` without an end, or with one ahead, says what is so now.

    That of an onset says when it began, and one of a procedure that is done may lack its end.
    """
    return key == "effectivePeriod" or (key == "performedPeriod" and resource.get("status") == "in-progress")


@dataclass(frozen=True)
class ClinicalRecordReader:
    """Reads single resources at the moment ``at`` by ``code_map``; ``ages`` decides whether a coarse age can be used."""

    code_map: CodeMap
    ages: AgeQuestion
    at: datetime

    def stated(
        self,
        holder: dict[str, Any],
        meanings: tuple[Meaning, ...],
        record: Record,
        when: When,
        problem: RejectionReason | None,
    ) -> Accepted | Rejected:
        """The fact that ``holder``, a part of ``record``, states by a value[x]; refused by ``problem``, a bad value, or a bad time.

        ``meanings`` are what its codes may mean, at least one, and ``when`` is the time of the record.
        """
        fact: str | None = meanings[0].fact
        problem = problem or holder_problem(holder)
        try:
            value = self._moment_of(holder, meanings) or stated_value(holder, meanings, self.code_map)
        except RefusedValue as refusal:
            return Rejected(fact, refusal.written, problem or refusal.why, record.label, when.moment)
        problem = problem or when.problem
        if problem is not None:
            return Rejected(value.fact, value.written, problem, record.label, when.moment, value.value)
        if value.fact in self.code_map.elapsing:
            return self._elapsed(value, record, When(self.at) if "valueDateTime" in holder else when)
        return self._aged(value, record, when) if value.fact == AGE else self.accepted(value, record, when)

    def accepted(self, value: Value, record: Record, when: When, *, standing: int = 0, ages: bool = True) -> Accepted:
        """``value`` as read from ``record`` of the time ``when``; see Accepted for the rank ``standing`` and for ``ages``.

        A danger is as old as the last moment of which the record may speak; the word that there is none, and what was
        measured, as old as the first.
        """
        moment, latest = when.moment, when.latest
        if latest is not None and value.value not in self.code_map.dangers(self.code_map.vocabulary[value.fact]):
            latest = None
        return Accepted(
            value.fact, value.value, value.written, record.label, record.reference, moment, standing, ages, latest
        )

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
            why = RejectionReason(
                "implausible", f"{problem}: {duration_words(hours)} by now; accepted: {definition.accepted}"
            )
            return Rejected(value.fact, value.written, why, record.label, when.moment)
        return self.accepted(Value(value.fact, hours, value.written), record, when, ages=False)

    def _aged(self, value: Value, record: Record, when: When) -> Accepted | Rejected:
        """An age as noted of late, else brought forward to now: whole years mean any moment of that year of life."""
        if when.moment is None:
            return Rejected(
                AGE, value.written, RejectionReason("no time", "no time is recorded for the age"), record.label
            )
        if (self.at - when.moment) // timedelta(seconds=1) <= AS_NOTED_DAYS * 86400:
            return self.accepted(value, record, when, ages=False)
        youngest = float(value.value) + max(0.0, (self.at - when.moment) / _YEAR)
        oldest = youngest + (1 if float(value.value).is_integer() else 0.1)
        problem = self.ages.problem(youngest, oldest)
        if problem is not None:
            return Rejected(AGE, value.written, problem, record.label, when.moment)
        return self.accepted(Value(AGE, youngest, value.written), record, when, ages=False)

    def implied(
        self, record: Record, concepts: list[object], when: When, problem: RejectionReason | None, *, ages: bool = True
    ) -> Iterator[Accepted | Rejected]:
        """What the codes of ``concepts`` say by being there, or their refusal for ``problem`` or a bad time.

        They stand in ``record``, whose time is ``when``; see Accepted for ``ages``.
        """
        for concept in concepts:
            meanings, trouble = self.meanings({"code": concept}, record)
            if trouble is not None:
                yield trouble
                continue
            unreadable = None if meanings or concept in (None, {}) else code_problem(concept)
            if unreadable is not None:
                yield Rejected(None, shown(concept), unreadable, record.label)
            written = text(concept, "text") or " ".join(coding.code for coding in codings_of(concept))
            values = implied_values(meanings, self.code_map, shown(written))
            if meanings and not values:
                why = RejectionReason("code", "the code alone does not say which value")
                yield Rejected(meanings[0].fact, shown(written), why, record.label)
            for value in values:
                reason = problem or when.problem
                if reason is not None:
                    yield Rejected(value.fact, value.written, reason, record.label, when.moment, value.value)
                else:
                    yield self.accepted(value, record, when, ages=ages)

    def meanings(self, holder: object, record: Record) -> tuple[tuple[Meaning, ...], Rejected | None]:
        """What the ``code`` of ``holder`` means for the type of ``record``; refused is an unknown code of our own system."""
        codings = codings_of(holder.get("code")) if isinstance(holder, dict) else ()
        known = self.code_map.meanings(codings)
        meanings = tuple(meaning for meaning in known if meaning.only in (None, record.type))
        own = [coding.code for coding in codings if coding.system == self.code_map.own_facts]
        retired = [fact for fact in self.code_map.vocabulary.retired.values() if fact.code in own]
        if retired and not known:
            why = RejectionReason("retired", retired[0].reason)
            return (), Rejected(retired[0].name, shown(retired[0].code), why, record.label)
        if own and not known:
            near = self._nearest(own[0])
            meant = f"; did you mean {near}?" if near else ""
            why = RejectionReason(
                "code", f"{self.code_map.own_facts} has no such code{meant}; `nuque facts` lists them"
            )
            return (), Rejected(None, shown(own[0]), why, record.label)
        return meanings, None

    def _nearest(self, code: str) -> str | None:
        """The code that is likely meant: that of the fact of this name, or the one spelt most alike."""
        named = self.code_map.vocabulary.get(code.replace("-", "_"))
        if named is not None and named.given != "concluded":
            return named.code
        codes = [fact.code for fact in self.code_map.vocabulary.values() if fact.given != "concluded"]
        return next(iter(get_close_matches(code[:64], codes, n=1)), None)

    def when(self, resource: dict[str, Any], *keys: str) -> When:
        """The first of the times of ``resource`` under ``keys`` that is there.

        A period counts by its end, or its start while it goes on.
        """
        several = several_of_a_choice(resource, *_choices_of(keys))
        if several is not None:
            return When(problem=several)
        for key in keys:
            written = resource.get(key)
            if written is None:
                continue
            if key.endswith("Timing"):
                return When(problem=RejectionReason("no time", f"{key} is not read; give a moment or a period"))
            try:
                found = self._moment(key, written, goes_on=_goes_on(resource, key))
            except DateError as error:
                return When(problem=RejectionReason("malformed", f"malformed {key} {shown(written)}: {error}"))
            if found.moment > self.at + timedelta(minutes=self.code_map.future_tolerance_minutes):
                why = RejectionReason("future", f"dated in the future ({key} {found.moment.isoformat()})")
                return When(found.moment, why)
            return When(found.moment, latest=found.latest)
        return When()

    def _moment(self, key: str, written: object, *, goes_on: bool) -> _Moment:
        if not key.endswith("Period"):
            return self._first(written)
        start, end = (written.get(one) if isinstance(written, dict) else None for one in ("start", "end"))
        if ends_before_it_starts(written, self.at.tzinfo):
            raise DateError("it ends before it starts")
        if end is not None and (ended := self._first(end)).moment <= self.at:
            return ended
        begun = self._first(start)
        return begun._replace(latest=self.at) if goes_on else begun

    def _first(self, written: object) -> _Moment:
        """The first moment that ``written`` may be, and of a day the last, which is no later than now."""
        first = moment(written, self.at.tzinfo)
        return _Moment(first, min(first + timedelta(days=1), self.at) if is_day(written) else None)


@cache
def _choices_of(keys: tuple[str, ...]) -> tuple[str, ...]:
    """The choices of ``_ONE_TIME`` that ``keys`` belong to: the few ways of asking for a time, told apart once."""
    return tuple(element for element in _ONE_TIME if any(key.startswith(element) for key in keys))


class _Moment(NamedTuple):
    moment: datetime
    latest: datetime | None
