"""Which records of a FHIR server count, and what they say, whatever fact they say it of: functions in Clinical Quality Language.

It says what ``cds.fhir.reading`` does. A record comes out as tuples with ``age``, the whole seconds since its moment (null
without one), and ``label``, its type and id, by which records of one moment are put in an order.
"""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.publishing.cql.syntax import number, text
from cds.fhir.reading.code_map import CodeMap, CodingKey

_FUNCTIONS = """\
// A bare date is its first moment, as everywhere in the rule set.
define function "First Moment"(written DateTime):
  if written is null or hour from written is not null then written
  else DateTime(year from written, Coalesce(month from written, 1), Coalesce(day from written, 1), 0, 0, 0, 0,
    timezoneoffset from "At")

// Whole seconds from a moment to that of the decision. Beyond 60 years all is as old.
define function "Age of"(moment DateTime):
  if moment is null then null
  else if years between moment and "At" > 60 then 1900000000
  else seconds between "First Moment"(moment) and "At"

// A period counts by its end, or by its start while it goes on.
define function "Age of Period"(lasting FHIR.Period):
  if "Age of"(lasting.end.value) >= 0 then "Age of"(lasting.end.value) else "Age of"(lasting.start.value)

define function "Age of Time"(written Any):
  case
    when written is FHIR.dateTime then "Age of"((written as FHIR.dateTime).value)
    when written is FHIR.instant then "Age of"((written as FHIR.instant).value)
    when written is FHIR.Period then "Age of Period"(written as FHIR.Period)
    else null
  end

// Whole seconds since the last moment that is meant: a day counts to its end.
define function "Latest of"(moment DateTime):
  "Age of"(moment) - (if hour from moment is null and day from moment is not null then 86400 else 0)

// A period that goes on says what is so now.
define function "Latest of Time"(written Any, lasts Boolean):
  case
    when written is FHIR.dateTime then "Latest of"((written as FHIR.dateTime).value)
    when written is FHIR.instant then "Latest of"((written as FHIR.instant).value)
    when written is FHIR.Period then
      if "Age of"((written as FHIR.Period).end.value) >= 0 then "Latest of"((written as FHIR.Period).end.value)
      else if lasts then 0
      else "Latest of"((written as FHIR.Period).start.value)
    else null
  end

define function "Ends Before It Starts"(written Any):
  written is FHIR.Period
    and Coalesce((written as FHIR.Period).start.value > (written as FHIR.Period).end.value, false)

// Times that are there and say no moment.
define function "Says No Moment"(written Any):
  written is FHIR.Timing or (written is FHIR.Period and "Age of Period"(written as FHIR.Period) is null)
    or "Ends Before It Starts"(written)

// Nothing is there that may change the meaning.
define function "Unchanged"(record FHIR.DomainResource):
  not exists record.modifierExtension and record.implicitRules is null

// Not from the future, and not older than the limit in hours (null: it does not age).
define function "In Time"(age Integer, limit Decimal):
  if age is null then limit is null else age >= -TOLERANCE and (limit is null or age <= limit * 3600.0)

// A danger is as old as the last moment of which the record may speak.
define function "Danger in Time"(age Integer, latest Integer, limit Decimal):
  (age is null or age >= -TOLERANCE) and (limit is null or Coalesce(latest, age) <= limit * 3600.0)

// Whether a reference leads to the record of this type and id, whatever its version.
define function "Leads To"(reference String, type String, id String):
  reference = 'urn:uuid:' + id
    or EndsWith('/' + reference, '/' + type + '/' + id)
    or PositionOf('/' + type + '/' + id + '/_history/', '/' + reference) >= 0

// A whole number with eight digits after the point: an engine may keep no more digits than it is given.
define function "Decimal of"(whole Integer):
  ToDecimal(ToString(whole) + '.00000000')

define function "Hours"(elapsed Integer):
  "Decimal of"(elapsed) / 3600.0

// A code written as text.
define function "As Code"(words String):
  ReplaceMatches(ReplaceMatches(Lower(words), '^\\\\s+|\\\\s+$', ''), '_', '-')

// Codings as pairs of text: an engine compares those much faster.
define function "Plain"(codings List<FHIR.Coding>):
  codings C return all Tuple { system: C.system.value, code: C.code.value }

define function "Answer"(codings List<Tuple{system String, code String}>):
  if exists (codings C where YES) and not exists (codings C where NO) then true
  else if exists (codings C where NO) and not exists (codings C where YES) then false
  else null

// Words count where no code does.
define function "Worded"(words String):
  if words is null then List<Tuple{system String, code String}> {}
  else { Tuple { system: VALUES, code: "As Code"(words) } }

define function "Answer of"(concept FHIR.CodeableConcept):
  if exists (("Plain"(concept.coding)) C where YES or NO) then "Answer"("Plain"(concept.coding))
  else "Answer"("Worded"(concept.text.value))

define function "Boolean of"(stated Any):
  case
    when stated is FHIR.boolean then (stated as FHIR.boolean).value
    when stated is FHIR.CodeableConcept then "Answer of"(stated as FHIR.CodeableConcept)
    when stated is FHIR.Coding then "Answer"("Plain"({ stated as FHIR.Coding }))
    when stated is FHIR.string then
      if "As Code"((stated as FHIR.string).value) in { WORDS_OF_YES } then true
      else if "As Code"((stated as FHIR.string).value) in { WORDS_OF_NO } then false
      else null
    else null
  end

define function "Only"(values List<String>):
  if Count(distinct values) = 1 then First(values) else null

define function "Coded"(codings List<Tuple{system String, code String}>,
    accepted List<Tuple{system String, code String, value String}>):
  "Only"(flatten (codings C return all (accepted A where A.system = C.system and A.code = C.code
    return all A.value)))

define function "Code of"(stated Any, accepted List<Tuple{system String, code String, value String}>):
  case
    when stated is FHIR.CodeableConcept then
      if exists (("Plain"((stated as FHIR.CodeableConcept).coding)) C
        where exists (accepted A where A.system = C.system and A.code = C.code))
      then "Coded"("Plain"((stated as FHIR.CodeableConcept).coding), accepted)
      else "Coded"("Worded"((stated as FHIR.CodeableConcept).text.value), accepted)
    when stated is FHIR.Coding then "Coded"("Plain"({ stated as FHIR.Coding }), accepted)
    when stated is FHIR.string then "Only"(accepted A
      where A.system = VALUES and A.code = "As Code"((stated as FHIR.string).value) return all A.value)
    else null
  end

define function "Quantity in"(written FHIR.Quantity, units List<Tuple{unit String, factor Decimal, divisor Decimal}>):
  if written.comparator is null
    and (written.system.value = 'http://unitsofmeasure.org' or (written.code is null and written.unit is null))
  then First(units U where U.unit = (if written.code is null and written.unit is null then '1' else written.code.value)
    return all Round(written.value.value * U.factor / U.divisor, 6))
  else null

// A score may be written as text: it has no unit but that of unity.
define function "Whole Number of"(words String):
  if Matches(words, '^\\s*[0-9]{1,2}\\s*$') then ToDecimal(ReplaceMatches(words, '\\s', '') + '.00000000') else null

define function "Number of"(stated Any, units List<Tuple{unit String, factor Decimal, divisor Decimal}>, plain Boolean):
  case
    when stated is FHIR.Quantity then "Quantity in"(stated as FHIR.Quantity, units)
    when stated is FHIR.integer and plain then "Decimal of"((stated as FHIR.integer).value)
    when stated is FHIR.decimal and plain then (stated as FHIR.decimal).value
    when stated is FHIR.string and exists (units U where U.unit = '1')
      then "Whole Number of"((stated as FHIR.string).value)
    else null
  end

define function "Within"(value Decimal, low Decimal, high Decimal, step Decimal):
  if value >= low and value <= high and (step is null or value / step = ToDecimal(Truncate(value / step))) then value
  else null

// What counts hours has grown since it was noted; the moment itself serves as well.
define function "Hours by Now"(stated Any, noted Decimal, age Integer):
  if stated is FHIR.dateTime then "Hours"("Age of"((stated as FHIR.dateTime).value))
  else noted + "Hours"(Max({ 0, age }))

// The higher standing goes before the newer, and the newer before the older. Of values of one moment that contradict each
// other none counts, nor anything older, but for the facts where one answer is safer.
NEWEST Boolean

define function "Agreed Boolean"(values List<Boolean>, dangerous Boolean):
  if Count(distinct values) = 1 then First(values)
  else if exists (values V where V = dangerous) then dangerous
  else null

NEWEST String

define function "Agreed String"(values List<String>, dangerous String):
  if exists (values V where V = dangerous) then dangerous else "Only"(values)

define function "Newest Decimal"(records List<Tuple{value Decimal, age Integer, standing Integer, label String}>):
  "Latest Decimal"(records R where R.standing = Max(records X return all X.standing))

define function "Latest Decimal"(records List<Tuple{value Decimal, age Integer, standing Integer, label String}>):
  "Agreed Decimal"(records R where R.age = Min(records X return all X.age)
    or Min(records X return all X.age) is null return all R sort by label)

// Numbers that differ by less than measuring does are the same.
define function "Agreed Decimal"(records List<Tuple{value Decimal, age Integer, standing Integer, label String}>):
  if exists (records R where Abs(R.value - First(records).value)
      > Max({Abs(R.value), Abs(First(records).value)}) * SAME)
  then null else First(records).value
"""

_NEWEST = """// Where all records are too old, the newest counts if it is an answer that lasts.
define function "Lasting KIND"(newest KIND, answers List<KIND>):
  if newest in answers then newest else null

define function "Newest KIND"(records List<Tuple{value KIND, age Integer, standing Integer, label String}>,
    dangerous KIND):
  "Latest KIND"(records R where R.standing = Max(records X return all X.standing), dangerous)

define function "Latest KIND"(records List<Tuple{value KIND, age Integer, standing Integer, label String}>,
    dangerous KIND):
  "Agreed KIND"(records R where R.age = Min(records X return all X.age)
    or Min(records X return all X.age) is null return all R.value, dangerous)"""


def functions(code_map: CodeMap) -> str:
    """The functions with which all records are read; ``code_map`` has the tolerances, and the codes for yes and no."""
    filled = _FUNCTIONS
    for kind in ("Boolean", "String"):
        filled = filled.replace(f"NEWEST {kind}", _NEWEST.replace("KIND", kind))
    filled = filled.replace("TOLERANCE", str(round(code_map.future_tolerance_minutes * 60)))
    filled = filled.replace("SAME", number(code_map.same_within_percent / 100))
    filled = filled.replace("VALUES", text(code_map.own_values))
    for word, codings in (("YES", code_map.yes), ("NO", code_map.no)):
        words = ", ".join(text(key.code) for key in sorted(codings) if key.system == code_map.own_values)
        test = is_one_of(codings)
        filled = filled.replace(f"WORDS_OF_{word}", words).replace(f"where {word}", f"where {test}")
        filled = filled.replace(f" or {word})", f" or {test})")
    return filled


def is_one_of(codings: Iterable[CodingKey], beginnings: Iterable[CodingKey] = ()) -> str:
    """That the coding ``C`` is one of ``codings``, or begins like one of ``beginnings``."""
    by_system: dict[str, list[str]] = {}
    for key in sorted(codings):
        by_system.setdefault(key.system, []).append(text(key.code))
    whole = (
        f"(C.system = {text(system)} and C.code in {{ {', '.join(codes)} }})" for system, codes in by_system.items()
    )
    begun = (f"(C.system = {text(key.system)} and StartsWith(C.code, {text(key.code)}))" for key in sorted(beginnings))
    return " or ".join([*whole, *begun]) or "false"


def tuples(value: str, age: str, label: str, *, standing: str = "0") -> str:
    """A record of a fact: its ``value``, ``age`` in seconds, ``label`` and ``standing``, each an expression."""
    return f"Tuple {{ value: {value}, age: {age}, standing: {standing}, label: {label} }}"


def label(kind: str, alias: str) -> str:
    """The label of a record of the type ``kind`` under ``alias``."""
    return f"{text(kind + '/')} + {alias}.id.value"


def together(lists: Iterable[str]) -> str:
    """All records of several ``lists``, each an expression."""
    several = list(lists)
    return several[0] if len(several) == 1 else "flatten {\n    " + ",\n    ".join(several) + "\n  }"
