"""The Patient resource: age from a birth date that may be partial, sex, death, and whether records agree on the person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from cds.fhir.json_access import items, shown, text
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.dates import DateError, age_in_years, date_range, moment
from cds.fhir.reading.reconciliation import Accepted, Rejected
from cds.fhir.reading.rejection import RejectionReason, several_of_a_choice
from rules.model import expressions as arithmetic
from rules.model.conditions import Compare, comparisons, describe, evaluate
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

AGE = "age_years"
APPARENT, LINE = "apparent_age_group", "age_line"
IDENTITY = "identity_doubtful"
_BELOW_OBSERVATIONS = -1
"""What an examiner sees stands above what a coarse date of birth leaves open."""
_OVER_OBSERVATIONS = 1
"""A date of birth stands above an age that somebody once noted."""
AS_NOTED_DAYS = 30
"""So long an age that somebody noted counts as noted. A child who has had a birthday since is taken for a year younger, as a child
of whom only the year of birth is known: the smaller collar goes first."""
_RECKONED_WITHIN_YEARS = 1.0
"""Rules reckon with an age by what surveys found, and surveys note completed years; so does a birth date that is only a year."""
_A_DAY = timedelta(days=1)
"""Elsewhere it may be tomorrow already."""
_REPLACED = "replaced-by"
"""Patient.link.type: the resource that holds the link must no longer be used."""
_AGES_DIFFER_YEARS = 1.5
"""An age in completed years lies up to a year below the true one; the rest allows for when it was written down."""


@dataclass(frozen=True)
class AgeQuestion:
    """Whether it matters to the rules which age out of a range is the true one."""

    ruleset: Ruleset

    @property
    def definition(self) -> FactDefinition:
        """What an age must be."""
        return self.ruleset.vocabulary[AGE]

    @cached_property
    def comparisons(self) -> tuple[Compare, ...]:
        """Everything that the rules compare the age with."""
        read = (found for rule in self.ruleset.rules.values() for found in comparisons(rule.when))
        return tuple(found for found in read if found.fact == AGE)

    @cached_property
    def used_in_arithmetic(self) -> bool:
        """Whether some rule reckons with the age, so that it has to be known to a year."""
        conclusions = (conclusion for rule in self.ruleset.rules.values() for conclusion in rule.then.conclusions)
        expressions = (conclusion.expression for conclusion in conclusions)
        return any(AGE in arithmetic.names(expression) for expression in expressions if expression is not None)

    def open_between(self, youngest: float, oldest: float) -> str | None:
        """What the rules ask of the age and a range from ``youngest`` to ``oldest``, in years, leaves open, in words.

        None where every age in it decides alike.
        """
        if youngest == oldest:
            return None
        for comparison in self.comparisons:
            values = comparison.value if isinstance(comparison.value, tuple) else (comparison.value,)
            inside = [value for value in values if isinstance(value, (int, float)) and youngest <= value <= oldest]
            answers = {evaluate(comparison, {AGE: age}) for age in (youngest, oldest, *inside)}
            if len(answers) > 1:
                reached = next((value for value in inside if youngest < value), None)
                return describe(comparison) if reached is None else f"{reached:g} years are reached"
        counts = self.used_in_arithmetic and oldest - youngest > _RECKONED_WITHIN_YEARS
        return "the age is another by more than a year" if counts else None

    @cached_property
    def groups(self) -> tuple[tuple[float, str], ...]:
        """The age groups that the rules say of an age alone, each with the age from which on it holds, in years.

        The youngest stands first.
        """
        low, high = self.definition.range or (0, 0)
        edges = {
            float(value)
            for comparison in self.comparisons
            for value in (comparison.value if isinstance(comparison.value, tuple) else (comparison.value,))
            if isinstance(value, (int, float)) and low <= value <= high
        }
        found: list[tuple[float, str]] = []
        for age in sorted({low, *edges}):
            group = next(
                (str(drawn.value) for rule, drawn in self.ruleset.drawn(LINE) if evaluate(rule.when, {AGE: age})), None
            )
            accepted = self.ruleset.vocabulary[APPARENT].values if APPARENT in self.ruleset.vocabulary else ()
            if group in accepted and (not found or found[-1][1] != group):
                found.append((age, str(group)))
        return tuple(found)

    def group(self, age: float) -> str | None:
        """The age group of ``age`` years; None where no rule says one of an age alone."""
        return next((group for begins, group in reversed(self.groups) if begins <= age), None)

    def problem(self, youngest: float, oldest: float) -> RejectionReason | None:
        """Why an age somewhere from ``youngest`` to ``oldest``, in years, cannot be used.

        None where ``youngest`` can stand for it.
        """
        problem = self.definition.problem(youngest)
        if problem is not None:
            return RejectionReason(
                "implausible", f"{problem}: {youngest:.1f} years; accepted: {self.definition.accepted}"
            )
        left_open = self.open_between(youngest, oldest)
        if left_open is not None:
            text = f"too coarse: an age from {youngest:.1f} to {oldest:.1f} years leaves open whether {left_open}"
            return RejectionReason("coarse", text)
        return None


def read_patient(
    record: Record, code_map: CodeMap, question: AgeQuestion, at: datetime
) -> Iterator[Accepted | Rejected]:
    """Age and sex from a Patient ``record`` at the moment ``at``, and a note where the patient is recorded as deceased.

    ``question`` tells whether a coarse age can be used, ``code_map`` has the administrative genders.
    """
    patient = record.resource
    if "birthDate" in patient:
        yield from _ages(record, patient["birthDate"], question, at)
    if "gender" in patient:
        gender = patient["gender"]
        sex = code_map.gender.get(gender) if isinstance(gender, str) else None
        if sex is None:
            yield Rejected(
                "sex",
                shown(gender),
                RejectionReason("malformed", "malformed: not an administrative gender"),
                record.label,
            )
        else:
            yield Accepted("sex", sex, shown(gender), record.label, record.reference, None, ages=False)
    unclear = _unclear_death(patient)
    if unclear is not None:
        written, why = unclear
        yield Rejected(None, f"deceased: {written}", why, record.label)
    elif is_deceased(patient, at):
        written = shown(patient.get("deceasedDateTime", True))
        why = RejectionReason("patient", "the patient is recorded as deceased: check the identity")
        yield Rejected(None, f"deceased: {written}", why, record.label)


def _ages(record: Record, birth_date: object, question: AgeQuestion, at: datetime) -> Iterator[Accepted | Rejected]:
    """The age by a date of birth; where that is too coarse, the age group of the youngest that the patient may be.

    Of two groups in question the smaller goes first: a collar that is too large for a child hides the airway and does not hold.
    """
    written = shown(birth_date)
    try:
        born = date_range(birth_date)
    except DateError as error:
        yield Rejected(AGE, written, RejectionReason("malformed", f"malformed date of birth: {error}"), record.label)
        return
    today = at.date()
    if born.first > today:
        yield Rejected(AGE, written, RejectionReason("future", "the date of birth lies in the future"), record.label)
        return
    oldest = age_in_years(born.first, today)
    youngest = oldest if born.first == born.last else age_in_years(min(born.last, today), today)
    problem = question.problem(youngest, oldest)
    if problem is not None:
        yield Rejected(AGE, written, problem, record.label)
        group = question.group(youngest) if problem.kind == "coarse" else None
        if group is not None:
            said = f"born {written}: {youngest:.1f} to {oldest:.1f} years"
            label, reference = record.label, record.reference
            yield Accepted(APPARENT, group, said, label, reference, None, _BELOW_OBSERVATIONS, ages=False)
        return
    yield Accepted(
        AGE, youngest, f"born {written}", record.label, record.reference, None, _OVER_OBSERVATIONS, ages=False
    )


def identity_doubts(
    patients: Sequence[Record], findings: Iterable[Accepted | Rejected], others: Iterable[str], at: datetime
) -> Iterator[Accepted]:
    """What the records say that cannot be true of one person, each as the fact that the identity is in doubt.

    ``patients`` are the Patient resources of whoever is meant, ``findings`` what was read so far, and ``others`` names the
    records of somebody else that came along. Nobody who is to wear a collar ``at`` that moment is yet to be born, and a record
    that was replaced by another is no longer to be used.
    """
    yield from _born_apart(patients)
    for record in patients:
        yield from _not_this_one(record, at)
    ages = [found for found in findings if isinstance(found, Accepted) and found.fact == AGE]
    born = next((found for found in ages if found.standing == _OVER_OBSERVATIONS), None)
    for noted in ages:
        if born is not None and abs(float(noted.value) - float(born.value)) > _AGES_DIFFER_YEARS:
            written = f"age {noted.written}, {born.written}"
            yield Accepted(IDENTITY, True, written, noted.label, noted.reference, None, ages=False)
    for label in others:
        yield Accepted(IDENTITY, True, "record of another patient among these", label, None, None, ages=False)


def _not_this_one(record: Record, at: datetime) -> Iterator[Accepted]:
    """The doubt where the Patient ``record`` cannot be that of the patient who is there."""
    born = record.resource.get("birthDate")
    try:
        ahead = date_range(born).first > at.date() + _A_DAY
    except DateError:
        ahead = False
    replaced = any(text(link, "type") == _REPLACED for link in items(record.resource, "link"))
    for so, written in ((ahead, f"born {shown(born)}, which lies ahead"), (replaced, "replaced by another record")):
        if so:
            yield Accepted(IDENTITY, True, written, record.label, record.reference, None, ages=False)


def _born_apart(patients: Iterable[Record]) -> Iterator[Accepted]:
    """The doubt where two dates of birth have no day in common: the earliest against the latest, whatever their number."""
    dated = []
    for record in patients:
        try:
            dated.append((date_range(record.resource.get("birthDate")), record))
        except DateError:
            continue
    if not dated:
        return
    born, earliest = min(dated, key=lambda pair: pair[0].last)
    born_later, latest = max(dated, key=lambda pair: pair[0].first)
    if born.last < born_later.first:
        written = f"born {shown(earliest.resource['birthDate'])} and {shown(latest.resource['birthDate'])}"
        yield Accepted(IDENTITY, True, written, latest.label, latest.reference, None, ages=False)


def is_deceased(patient: object, at: datetime) -> bool:
    """Whether ``patient`` is recorded as deceased at the moment ``at``.

    A date of death that is no date says that there was one; what is in another form says nothing.
    """
    if not isinstance(patient, dict) or _unclear_death(patient) is not None:
        return False
    died = patient.get("deceasedDateTime")
    if died is None:
        return patient.get("deceasedBoolean") is True
    try:
        return moment(died, at.tzinfo) <= at
    except DateError:
        return True


def _unclear_death(patient: Mapping[str, Any]) -> tuple[str, RejectionReason] | None:
    """What is said of a death, and why it cannot be told what it means: another form of JSON, or two words that contradict."""
    dead, died = patient.get("deceasedBoolean"), patient.get("deceasedDateTime")
    if dead is not None and not isinstance(dead, bool):
        return shown(dead), RejectionReason("malformed", "malformed: deceasedBoolean is neither true nor false")
    if died is not None and not isinstance(died, str):
        return shown(died), RejectionReason("malformed", "malformed: deceasedDateTime is not a text")
    several = None if dead else several_of_a_choice(patient, "deceased")
    return None if several is None else (f"{shown(dead)}, {shown(died)}", several)


def display_name(patient: object) -> str | None:
    """The name of the Patient resource ``patient`` as one line, or None where none is recorded."""
    for name in items(patient, "name"):
        parts = [*(part for part in items(name, "given") if isinstance(part, str)), text(name, "family") or ""]
        words = text(name, "text") or " ".join(part for part in parts if part)
        if words:
            return shown(words)
    return None
