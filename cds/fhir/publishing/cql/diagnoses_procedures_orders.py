"""Conditions, Procedures and ServiceRequests in Clinical Quality Language: the code alone says it.

What ``cds.fhir.reading.coded_records`` does.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from cds.fhir.publishing.cql.record_functions import is_one_of, label, tuples
from cds.fhir.publishing.cql.syntax import literal, number
from cds.fhir.reading.code_map import CodeMap, CodingKey, Meaning
from cds.fhir.reading.coded_records import DAYS_OF
from rules.model.facts import FactDefinition, FactValue

_PREPARED = f"""\
// The code of a status: none where the status is missing, one that no list has where it holds no code.
define function "Status of"(status FHIR.CodeableConcept):
  if status is null then null
  else Coalesce(First(status.coding C where C.code.value != '' return all C.code.value), 'malformed')

// The seventh character of a code of ICD-10-CM, with its point or without.
define function "Seventh"(code String):
  if Length(code) = 7 then Substring(code, 6, 1) else Substring(code, 7, 1)

// Whole seconds since the last moment that an onset may mean: a year, a month or a day counts to its end.
define function "Age of Onset"(onset DateTime):
  "Age of"(onset) - (if hour from onset is not null then 0
    else if day from onset is not null then {DAYS_OF[10] * 86400}
    else if month from onset is not null then {DAYS_OF[7] * 86400}
    else {DAYS_OF[4] * 86400})

define function "Is in"(categories List<FHIR.CodeableConcept>, category String):
  exists (categories K where exists (K.coding C where C.code.value = category))

// Diagnoses that stand or are suspected, and those that were refuted, which stand below all else.
define private "Diagnoses":
  [Condition] R
    let verified: "Status of"(R.verificationStatus), clinical: "Status of"(R.clinicalStatus)
    where "Unchanged"(R)
      and (verified is null or verified in {{ 'confirmed', 'refuted', 'provisional', 'unconfirmed', 'differential' }})
      and (Coalesce(verified, '') = 'refuted'
        or (if clinical is null then R.abatement is null else clinical in {{ 'active', 'recurrence', 'relapse' }}))
      and (R.recordedDate is not null or not "Says No Moment"(R.onset))
    return all Tuple {{
      type: 'Condition',
      codings: "Plain"(R.code.coding),
      refuted: Coalesce(verified, '') = 'refuted',
      suspected: Coalesce(verified, '') in {{ 'provisional', 'unconfirmed', 'differential' }},
      to_come: false,
      age: if R.recordedDate is not null then "Age of"(R.recordedDate.value) else "Age of Time"(R.onset),
      // What is active is so now, whenever it began.
      latest: Coalesce(
        if R.recordedDate is not null then "Latest of"(R.recordedDate.value) else "Latest of Time"(R.onset, false),
        if clinical in {{ 'active', 'recurrence', 'relapse' }} then 0 else null),
      // Since when, where that is before it was recorded.
      began: if R.onset is FHIR.dateTime
          and (R.recordedDate is null or "Age of Onset"((R.onset as FHIR.dateTime).value) > "Age of"(R.recordedDate.value))
        then "Age of Onset"((R.onset as FHIR.dateTime).value) else null,
      // The same where it has a time of day.
      happened: if R.onset is FHIR.dateTime and hour from (R.onset as FHIR.dateTime).value is not null
          and (R.recordedDate is null or "Age of"((R.onset as FHIR.dateTime).value) > "Age of"(R.recordedDate.value))
        then "Age of"((R.onset as FHIR.dateTime).value) else null,
      listed: R.recordedDate is null and "Age of Time"(R.onset) is null
        and "Is in"(R.category, 'problem-list-item'),
      visit: "Is in"(R.category, 'encounter-diagnosis')
        and not "Is in"(R.category, 'problem-list-item'),
      label: {label("Condition", "R")}
    }}

define private "Procedures":
  [Procedure] R
    where "Unchanged"(R) and R.status.value in {{ 'completed', 'in-progress' }} and not "Says No Moment"(R.performed)
    return all Tuple {{
      type: 'Procedure',
      codings: "Plain"(R.code.coding),
      refuted: false,
      suspected: false,
      to_come: false,
      age: "Age of Time"(R.performed),
      latest: "Latest of Time"(R.performed, R.status.value = 'in-progress'),
      began: null as Integer,
      happened: null as Integer,
      listed: false,
      visit: false,
      label: {label("Procedure", "R")}
    }}

// The end of what is ordered for; a whole day is over when the next begins.
define function "Overdue"(due DateTime):
  "Age of"(due) > (if hour from due is null then 86400 else 0)

// Orders in force. What is still to come does not grow stale.
define private "Orders":
  [ServiceRequest] R
    let due: if R.occurrence is FHIR.Period then (R.occurrence as FHIR.Period).end.value
      else if R.occurrence is FHIR.dateTime then (R.occurrence as FHIR.dateTime).value
      else null,
      concepts: if exists R.category then flatten {{ {{ R.code }}, R.category }} else {{ R.code }}
    where "Unchanged"(R) and R.status.value = 'active'
      and Coalesce(R.doNotPerform.value, false) = false
      and R.intent.value in {{ 'order', 'original-order', 'reflex-order', 'filler-order', 'instance-order', 'plan', 'directive' }}
      and (due is null or not "Overdue"(due)) and not "Ends Before It Starts"(R.occurrence)
    return all Tuple {{
      type: 'ServiceRequest',
      codings: flatten (concepts K where exists K.coding return all "Plain"(K.coding)),
      refuted: false,
      suspected: false,
      to_come: due is not null,
      age: "Age of"(R.authoredOn.value),
      latest: "Latest of"(R.authoredOn.value),
      began: null as Integer,
      happened: null as Integer,
      listed: false,
      visit: false,
      label: {label("ServiceRequest", "R")}
    }}

// Observations that ask what was found: the value is that.
define private "Findings":
  [Observation] R
    where "Counts"(R) and R.value is FHIR.CodeableConcept and R.dataAbsentReason is null
      and exists (("Plain"(R.code.coding)) C where QUESTIONS)
      and not exists (("Plain"(R.code.coding)) C where "Fact of Coding"(C) is not null)
    return all Tuple {{
      type: 'Observation',
      codings: "Plain"((R.value as FHIR.CodeableConcept).coding),
      refuted: false,
      suspected: false,
      to_come: false,
      age: "Age of Observation"(R),
      latest: "Latest of Observation"(R),
      began: null as Integer,
      happened: null as Integer,
      listed: false,
      visit: false,
      label: {label("Observation", "R")}
    }}

define private "Coded Records":
  flatten {{ "Diagnoses", "Procedures", "Orders", "Findings" }}
"""


def coded_records(code_map: CodeMap) -> str:
    """The definition of the records whose codes alone say something; ``code_map`` has the questions that a finding answers."""
    return _PREPARED.replace("QUESTIONS", is_one_of(code_map.finding_questions))


@dataclass
class Codes:
    """The codes that say one value of a fact: ``whole`` codes, and the ``beginnings`` of codes with those that say another.

    ``apart`` are whole codes that go before a beginning, as they have a meaning of their own. ``not_seventh`` are for a
    beginning the seventh characters with which a code of ICD-10-CM does not say it.
    """

    whole: list[CodingKey] = field(default_factory=list)
    beginnings: dict[CodingKey, list[CodingKey]] = field(default_factory=dict)
    apart: dict[CodingKey, list[CodingKey]] = field(default_factory=dict)
    not_seventh: dict[CodingKey, tuple[str, ...]] = field(default_factory=dict)

    def of_others(self, code_map: CodeMap) -> Codes:
        """Those of them that are not the project's own codes of facts in ``code_map``."""
        return replace(self, whole=[key for key in self.whole if key.system != code_map.own_facts])

    def test(self) -> str:
        """That the coding ``C`` is one of them."""
        tests = [is_one_of(self.whole)] if self.whole else []
        for beginning, others in self.beginnings.items():
            whole = self.apart.get(beginning, [])
            apart = f" and not ({is_one_of(whole, others)})" if whole or others else ""
            if seventh := self.not_seventh.get(beginning):
                listed = ", ".join(map(literal, seventh))
                apart += f""" and not (Coalesce("Seventh"(C.code), '') in {{ {listed} }})"""
            tests.append(f"({is_one_of((), [beginning])}{apart})" if apart else is_one_of((), [beginning]))
        return " or ".join(tests)


def codes_of(fact: FactDefinition, code_map: CodeMap, kind: str) -> dict[FactValue | None, Codes]:
    """The codes of ``code_map`` that mean ``fact`` in a record of the type ``kind``, by the value that they say.

    None stands for codes that leave the value open.
    """
    found: dict[FactValue | None, Codes] = {}

    def mean(meanings: tuple[Meaning, ...]) -> Iterator[Meaning]:
        yield from (meaning for meaning in meanings if meaning.fact == fact.name and meaning.only in (None, kind))

    for key, meanings in code_map.exact.items():
        for meaning in mean(meanings):
            found.setdefault(meaning.value, Codes()).whole.append(key)
    for key, meanings in code_map.prefixes.items():
        for meaning in mean(meanings):
            # A longer beginning, and a whole code, goes before a shorter one.
            longer = [other for other in code_map.prefixes if other != key and _begins(other, key)]
            codes = found.setdefault(meaning.value, Codes())
            codes.beginnings[key] = longer
            codes.apart[key] = [other for other in code_map.exact if _begins(other, key)]
            if meaning.not_seventh:
                codes.not_seventh[key] = meaning.not_seventh
    return found


def codes_of_several(code_map: CodeMap) -> tuple[list[CodingKey], list[CodingKey]]:
    """The codes, and the beginnings of codes, of other systems that each say several facts by ``code_map``."""
    return tuple(  # type: ignore[return-value]
        [key for key, meanings in table.items() if len(meanings) > 1 and key.system != code_map.own_facts]
        for table in (code_map.exact, code_map.prefixes)
    )


def _begins(other: CodingKey, key: CodingKey) -> bool:
    return other.system == key.system and other.code.startswith(key.code)


def implied(fact: FactDefinition, code_map: CodeMap, limit: str) -> Iterator[str]:
    """What records with codes of ``code_map`` say of ``fact`` by being there.

    ``limit`` is how many hours old they may be, as an expression that is null where there is no limit.
    """
    said: dict[FactValue, list[tuple[str, str]]] = {}
    kinds = ("Condition", "Procedure", "ServiceRequest", "Observation")
    tests = {kind: _implied(fact, code_map, kind) for kind in kinds}
    for kind, values in tests.items():
        for value, test in values.items():
            said.setdefault(value, []).append((kind, test))
    for value, by_kind in said.items():
        shared = {test for _, test in by_kind}
        if len(shared) == 1 and len(by_kind) == len(kinds):
            which = _has(*shared)
        else:
            which = "(" + " or ".join(f"(R.type = '{kind}' and {_has(test)})" for kind, test in by_kind) + ")"
        stated = "not R.refuted" if value is True else literal(value)
        unless = ("" if value is True else "not R.refuted and ") + _counts(fact, value, code_map)
        within = f"if R.to_come then null as Decimal else {limit}"
        kept = f'"In Time"(R.age, {within})'
        if value in code_map.dangers(fact):
            # What was refuted says that there is none.
            latest = f"if R.refuted then R.age else {_latest(fact, code_map)}"
            kept = f'"Danger in Time"(R.age, {latest}, {within})'
        record = tuples(stated, "R.age", "R.label", standing="if R.refuted then -1 else 0")
        yield f'(("Coded Records" R where {which}) R\n      where {unless}{kept}\n      return all {record})'


def injured(fact: FactDefinition, vocabulary: Mapping[str, FactDefinition], code_map: CodeMap) -> Iterator[str]:
    """How long ago an injury was, for the ``fact`` that counts its hours: by the onset of diagnoses that say that there was one.

    Injuries are facts of ``vocabulary``, and their codes those of ``code_map``.
    """
    if fact.name != code_map.episode.hours:
        return
    assert fact.range is not None
    low, high = map(number, fact.range)
    hours = f'"Within"("Hours"(Max({{ 0, R.happened }})), {low}, {high}, null as Decimal)'
    for injury in code_map.episode.injuries:
        for value, test in _implied(vocabulary[injury], code_map, "Condition").items():
            if value is False:
                continue
            which = f'("Diagnoses" R where R.happened is not null and not R.refuted and {_has(test)})'
            kept = f'{_counts(vocabulary[injury], value, code_map)}"In Time"(R.age, null as Decimal)'
            yield f"({which} R\n      where {kept}\n      return all {tuples(hours, 'R.age', 'R.label')})"


def _counts(fact: FactDefinition, value: FactValue, code_map: CodeMap) -> str:
    """That a diagnosis ``R`` says ``value`` of now: what is only suspected has to be a danger, and no danger may be too old."""
    sure = "" if value == code_map.safer.get(fact.name) else "not R.suspected and "
    return sure + (_not_of_old(fact, code_map) if value in code_map.dangers(fact) else "")


def _latest(fact: FactDefinition, code_map: CodeMap) -> str:
    """The last moment of which the record ``R`` of ``fact`` may speak, as an age."""
    rule = code_map.of_old.get(fact.name)
    if rule is None:
        return "R.latest"
    noted = "R.latest" if rule.visits else "(if R.listed then null else R.latest)"
    return f"Coalesce(R.began, {noted})"


def _not_of_old(fact: FactDefinition, code_map: CodeMap) -> str:
    """That a diagnosis ``R`` of ``fact`` is not too old to say something about now; nothing where it grows no older."""
    rule = code_map.of_old.get(fact.name)
    if rule is None or rule.hours is None:
        return ""
    spoken, most = f"Coalesce({_latest(fact, code_map)}, R.age)", literal(rule.hours * 3600)
    if rule.visits:
        return f"(R.refuted or not R.visit or Coalesce({spoken}, 0) <= {most}) and "
    return f"(R.refuted or R.type != 'Condition' or Coalesce({spoken}, 1900000000) <= {most}) and "


def _implied(fact: FactDefinition, code_map: CodeMap, kind: str) -> dict[FactValue, str]:
    found: dict[FactValue, list[str]] = {}
    for value, codes in codes_of(fact, code_map, kind).items():
        if value is None and fact.type != "boolean":
            continue
        found.setdefault(True if value is None else value, []).append(codes.test())
    return {value: " or ".join(tests) for value, tests in found.items()}


def _has(test: str) -> str:
    return f"exists (R.codings C where {test})"
