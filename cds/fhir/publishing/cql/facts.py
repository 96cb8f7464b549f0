"""Facts out of FHIR R4 records, in Clinical Quality Language: which records count, and which of several values wins.

It says what ``cds.fhir.reading`` does, for what an artefact can say without a code map of the site: Observations (not their
components) with a code of ours or a code that the shipped code map gives the same meaning, in a unit that is listed; age and
sex of the Patient. ``docs/fhir.md`` names what only the service reads.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from cds.fhir.publishing.cql.syntax import define, listed, literal, name, number, optional, step, text
from cds.fhir.reading.code_map import CodeMap, CodingKey
from cds.fhir.reading.patient import AGE
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset
from rules.model.units import UnitError, convert, is_annotation

SEX = "sex"
_UNITS = (
    "mm",
    "cm",
    "m",
    "[in_i]",
    "[ft_i]",
    "kg",
    "g",
    "[lb_av]",
    "s",
    "min",
    "h",
    "d",
    "wk",
    "km/h",
    "m/s",
    "[mi_i]/h",
)
"""UCUM units that are read beside the fact's own, where they measure the same."""
_TYPES = {"boolean": "Boolean", "code": "String", "number": "Decimal", "integer": "Decimal"}

_FUNCTIONS = """\
// A bare date is its first moment, as everywhere in the rule set.
define function "First Moment"(written DateTime):
  if written is null or hour from written is not null then written
  else DateTime(year from written, Coalesce(month from written, 1), Coalesce(day from written, 1), 0, 0, 0, 0,
    timezoneoffset from "At")

// A period counts by its end, or by its start while it goes on.
define function "Moment of Period"(lasting FHIR.Period):
  if "First Moment"(lasting.end.value) <= "At" then "First Moment"(lasting.end.value)
  else "First Moment"(lasting.start.value)

define function "Moment"(record FHIR.Observation):
  case
    when record.effective is FHIR.dateTime then "First Moment"((record.effective as FHIR.dateTime).value)
    when record.effective is FHIR.instant then (record.effective as FHIR.instant).value
    when record.effective is FHIR.Period then "Moment of Period"(record.effective as FHIR.Period)
    when record.effective is null then record.issued.value
    else null
  end

// Whole seconds since the record's moment, null without one.
define function "Age"(record FHIR.Observation):
  seconds between "Moment"(record) and "At"

// In force, not changed in meaning, not from the future, and not older than the limit in hours (null: it does not age).
define function "Counts"(record FHIR.Observation, limit Decimal):
  record.status.value in {'final', 'amended', 'corrected'}
    and not exists record.modifierExtension
    and record.implicitRules is null
    and not (record.effective is FHIR.Timing)
    and (if "Age"(record) is null then limit is null
      else "Age"(record) >= -TOLERANCE and (limit is null or "Age"(record) <= limit * 3600.0))

define function "Answer"(written FHIR.CodeableConcept):
  if exists (written.coding C where YES) and not exists (written.coding C where NO) then true
  else if exists (written.coding C where NO) and not exists (written.coding C where YES) then false
  else null

define function "Boolean of"(record FHIR.Observation):
  case
    when record.value is FHIR.boolean then (record.value as FHIR.boolean).value
    when record.value is FHIR.CodeableConcept then "Answer"(record.value as FHIR.CodeableConcept)
    else null
  end

define function "Only"(values List<String>):
  if Count(distinct values) = 1 then First(values) else null

define function "Code of"(record FHIR.Observation, accepted List<String>):
  if record.value is FHIR.CodeableConcept then "Only"(
    ((record.value as FHIR.CodeableConcept).coding) C
      where C.system.value = VALUES and C.code.value in accepted
      return all C.code.value)
  else null

define function "Quantity in"(written FHIR.Quantity, units List<Tuple{unit String, factor Decimal}>):
  if written.comparator is null and written.system.value = 'http://unitsofmeasure.org'
  then Round(written.value.value * First(units U where U.unit = written.code.value return all U.factor), 6)
  else null

define function "Number of"(record FHIR.Observation, units List<Tuple{unit String, factor Decimal}>, plain Boolean):
  case
    when record.value is FHIR.Quantity then "Quantity in"(record.value as FHIR.Quantity, units)
    when record.value is FHIR.integer and plain then ToDecimal((record.value as FHIR.integer).value)
    else null
  end

define function "Within"(value Decimal, low Decimal, high Decimal, step Decimal):
  if value >= low and value <= high and (step is null or value / step = ToDecimal(Truncate(value / step))) then value
  else null

// Of several values the newest counts. Of values of one moment that contradict each other none does, nor anything older,
// but for the facts where one answer is safer.
define function "Newest Boolean"(records List<Tuple{value Boolean, age Integer, id String}>, dangerous Boolean):
  "Agreed Boolean"(records R where R.age = Min(records X return all X.age)
    or Min(records X return all X.age) is null return all R.value, dangerous)

define function "Agreed Boolean"(values List<Boolean>, dangerous Boolean):
  if Count(distinct values) = 1 then First(values)
  else if exists (values V where V = dangerous) then dangerous
  else null

define function "Newest String"(records List<Tuple{value String, age Integer, id String}>, dangerous String):
  "Agreed String"(records R where R.age = Min(records X return all X.age)
    or Min(records X return all X.age) is null return all R.value, dangerous)

define function "Agreed String"(values List<String>, dangerous String):
  if exists (values V where V = dangerous) then dangerous else "Only"(values)

define function "Newest Decimal"(records List<Tuple{value Decimal, age Integer, id String}>):
  "Agreed Decimal"(records R where R.age = Min(records X return all X.age)
    or Min(records X return all X.age) is null return all R sort by id)

// Numbers that differ by less than measuring does are the same.
define function "Agreed Decimal"(records List<Tuple{value Decimal, age Integer, id String}>):
  if exists (records R where Abs(R.value - First(records).value)
      > Max({Abs(R.value), Abs(First(records).value)}) * SAME)
  then null else First(records).value

// Somebody born on 29 February completes a year on 1 March where there is no such day.
define function "Birthday"(born Date, in_year Integer):
  if month from born = 2 and day from born = 29
    and not (in_year mod 4 = 0 and (in_year mod 100 != 0 or in_year mod 400 = 0))
  then Date(in_year, 3, 1)
  else Date(in_year, month from born, day from born)

define function "Years"(born Date, today Date, completed Integer):
  ToDecimal(completed) + ToDecimal(days between "Birthday"(born, year from born + completed) and today)
    / ToDecimal(days between "Birthday"(born, year from born + completed)
        and "Birthday"(born, year from born + completed + 1))

define function "Exact Age"(born Date, today Date):
  if day from born is null or born after today then null
  else "Years"(born, today, year from today - year from born
    - (if "Birthday"(born, year from today) after today then 1 else 0))
"""


def terminology(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """The code systems and codes by which facts are retrieved."""
    read = {fact.name: codes for fact in _read(ruleset) if (codes := observed_codes(fact, code_map))}
    systems = dict.fromkeys(key.system for keys in read.values() for key in keys)
    for system in systems:
        yield f"codesystem {name(_short(system))}: {text(system)}"
    for key in dict.fromkeys(key for keys in read.values() for key in keys):
        yield f"code {name(_label(key))}: {text(key.code)} from {name(_short(key.system))}"


def functions(code_map: CodeMap) -> str:
    """What all facts are read with."""

    def any_of(codings: frozenset[CodingKey]) -> str:
        return " or ".join(
            f"(C.system.value = {text(key.system)} and C.code.value = {text(key.code)})" for key in sorted(codings)
        )

    filled = _FUNCTIONS.replace("TOLERANCE", str(round(code_map.future_tolerance_minutes * 60)))
    filled = filled.replace("SAME", number(code_map.same_within_percent / 100))
    filled = filled.replace("VALUES", text(code_map.own_values))
    return filled.replace("YES", any_of(code_map.yes)).replace("NO", any_of(code_map.no))


def recorded_facts(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """For each fact that an observer may give: the records that count, and the value that wins."""
    for fact in _read(ruleset):
        yield _records(fact, ruleset, code_map)
        said = define if recorded(fact) == fact.name else step
        yield said(recorded(fact), _winner(fact, code_map), f"{fact.label}: {fact.meaning}")


def recorded(fact: FactDefinition) -> str:
    """The definition of the recorded value: the fact itself, unless rules may conclude it too."""
    return fact.name if fact.given == "observed" else f"Recorded {fact.name}"


def observed_codes(fact: FactDefinition, code_map: CodeMap) -> list[CodingKey]:
    """The codes under which ``fact`` is read from an Observation; none where it is read from elsewhere."""
    return [] if fact.name == AGE else _codings(fact, code_map)


def _read(ruleset: Ruleset) -> list[FactDefinition]:
    return [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]


def _codings(fact: FactDefinition, code_map: CodeMap) -> list[CodingKey]:
    """Every code whose value is the fact's value, ours first."""
    own = CodingKey(code_map.own_facts, fact.code)
    others = (
        key
        for key, meanings in code_map.exact.items()
        if [meaning.fact for meaning in meanings if meaning.value is None and meaning.only in (None, "Observation")]
        == [fact.name]
    )
    return list(dict.fromkeys([own, *others]))


def _label(key: CodingKey) -> str:
    return f"{_short(key.system)} {key.code}"


def _short(system: str) -> str:
    return f"System {system.removeprefix('http://').removeprefix('https://')}"


def _records(fact: FactDefinition, ruleset: Ruleset, code_map: CodeMap) -> str:
    if fact.name == AGE:
        low, high = fact.range or (0, 0)
        exact = '"Exact Age"(Patient.birthDate.value, date from "At")'
        value = f'"Within"({exact}, {number(low)}, {number(high)}, {optional(None, "Decimal")})'
        return step(f"Records of {fact.name}", f"{{ Tuple {{ value: {value}, age: null as Integer, id: 'Patient' }} }}")
    limit = ruleset.stale_after_hours(fact)
    elapsing = fact.name in code_map.elapsing
    aged = optional(None if limit is None or elapsing else number(limit), "Decimal")
    kept = f'"Counts"(O, {aged})' + (' and "Age"(O) is not null' if elapsing else "")
    retrieved = " union ".join(f"[Observation: {name(_label(key))}]" for key in observed_codes(fact, code_map))
    records = (
        f"(({retrieved}) O where {kept}\n"
        f'    return all Tuple {{ value: {_value(fact, code_map)}, age: "Age"(O), id: O.id.value }})'
    )
    if fact.name == SEX:
        records = f"{records}\n  union {{ {_gender(code_map)} }}"
    return step(f"Records of {fact.name}", records)


def _value(fact: FactDefinition, code_map: CodeMap) -> str:
    if fact.type == "boolean":
        return '"Boolean of"(O)'
    if fact.type == "code":
        return f'"Code of"(O, {{ {", ".join(literal(value) for value in fact.values)} }})'
    assert fact.range is not None
    plain = fact.unit is None or is_annotation(fact.unit)
    counted_in = optional(None if fact.counted_in is None else number(fact.counted_in), "Decimal")
    low, high = number(fact.range[0]), number(fact.range[1])
    read = f'"Number of"(O, {name(f"Units of {fact.name}")}, {str(plain).lower()})'
    value = f'"Within"({read}, {low}, {high}, {counted_in})'
    if fact.name in code_map.elapsing:
        grown = f'{value} + ToDecimal(Max({{ 0, "Age"(O) }})) / 3600.0'
        value = f'"Within"({grown}, {low}, {high}, {optional(None, "Decimal")})'
    return value


def _gender(code_map: CodeMap) -> str:
    sexes = " ".join(
        f"when Patient.gender.value = {text(said)} then {literal(sex)}" for said, sex in code_map.gender.items()
    )
    return f"Tuple {{ value: case {sexes} else null end, age: null as Integer, id: 'Patient' }}"


def _winner(fact: FactDefinition, code_map: CodeMap) -> str:
    kind = _TYPES[fact.type]
    usable = f"{name(f'Records of {fact.name}')} R where R.value is not null"
    if kind == "Decimal":
        return f'"Newest Decimal"({usable})'
    safer = code_map.safer.get(fact.name)
    return f'"Newest {kind}"({usable}, {optional(None if safer is None else literal(safer), kind)})'


def units_read(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """For each fact that is a number, the units in which it is read and what one of them is in the fact's own."""
    for fact in _read(ruleset):
        if fact.numeric and fact.name != AGE:
            factors = accepted_units(fact, code_map).items()
            pairs = (f"Tuple {{ unit: {text(unit)}, factor: {number(factor)} }}" for unit, factor in factors)
            yield step(f"Units of {fact.name}", listed(pairs))


def accepted_units(fact: FactDefinition, code_map: CodeMap) -> dict[str, float]:
    """The UCUM units in which the library reads ``fact``, each with what one of it is in the fact's own unit."""
    if fact.unit is None:
        return {"1": 1.0}
    if is_annotation(fact.unit):
        return dict.fromkeys((fact.unit, *code_map.counted.get(fact.unit, ())), 1.0)
    found = {fact.unit: 1.0}
    for unit in _UNITS:
        try:
            found.setdefault(unit, convert(Decimal(1), unit, fact.unit))
        except UnitError:
            continue
    return found
