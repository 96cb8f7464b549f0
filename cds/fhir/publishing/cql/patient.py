"""The Patient resource in Clinical Quality Language: age from a birth date, and sex. What ``cds.fhir.reading.patient`` does."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.publishing.cql.record_functions import tuples
from cds.fhir.publishing.cql.syntax import literal, name, number, text
from cds.fhir.publishing.expression_languages.notation import leaves_open
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.patient import AGE, APPARENT, AS_NOTED_DAYS, IDENTITY, AgeQuestion
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

SEX = "sex"

_FUNCTIONS = """\
// The days that a date of birth may mean: the day itself, or those of a month or a year.
define function "First Day"(born Date):
  if born is null then null
  else Date(year from born, Coalesce(month from born, 1), Coalesce(day from born, 1))

define function "Last Day"(born Date):
  if born is null then null
  else if month from born is null then Date(year from born, 12, 31)
  else if day from born is null then Date(year from born, month from born,
    case
      when month from born in { 4, 6, 9, 11 } then 30
      when month from born != 2 then 31
      when "Leap Year"(year from born) then 29
      else 28
    end)
  else born

define function "Leap Year"(in_year Integer):
  in_year mod 4 = 0 and (in_year mod 100 != 0 or in_year mod 400 = 0)

// Whether it matters to the rules which age of a range is the true one.
define function "Left Open"(youngest Decimal, oldest Decimal):
  youngest != oldest and (OPEN)

define function "Usable Age"(youngest Decimal, oldest Decimal):
  if youngest >= LOW and youngest <= HIGH and not "Left Open"(youngest, oldest) then youngest else null

// An age that was noted of late, or brought forward: whole years mean any moment of that year of life.
define function "Age by Now"(noted Decimal, age Integer):
  case
    when age is null then null
    when age <= AS_NOTED then noted
    when noted = Truncate(noted) then "Usable Age"("Grown"(noted, age), "Grown"(noted, age) + 1.0)
    else "Usable Age"("Grown"(noted, age), "Grown"(noted, age) + 0.1)
  end

define function "Grown"(noted Decimal, age Integer):
  noted + "Decimal of"(Max({ 0, age })) / 31556952.0

// Somebody born on 29 February completes a year on 1 March where there is no such day.
define function "Birthday"(born Date, in_year Integer):
  if month from born = 2 and day from born = 29
    and not "Leap Year"(in_year)
  then Date(in_year, 3, 1)
  else Date(in_year, month from born, day from born)

define function "Years"(born Date, today Date, completed Integer):
  "Decimal of"(completed)
    + "Decimal of"(days between "Birthday"(born, year from born + completed) and today)
      / "Decimal of"(days between "Birthday"(born, year from born + completed)
          and "Birthday"(born, year from born + completed + 1))

define function "Exact Age"(born Date, today Date):
  if born is null or born after today then null
  else "Years"(born, today, year from today - year from born
    - (if "Birthday"(born, year from today) after today then 1 else 0))

define private "Youngest":
  "Exact Age"(Min({ "Last Day"(Patient.birthDate.value), date from "At" }), date from "At")

define private "Oldest":
  "Exact Age"("First Day"(Patient.birthDate.value), date from "At")

define private "Age by Birth":
  "Usable Age"("Youngest", "Oldest")

// The age group of the youngest that a coarse date of birth allows.
define private "Group by Birth":
  if "Youngest" >= LOW and "Youngest" <= HIGH and "Left Open"("Youngest", "Oldest")
  then case
    GROUPS
    else null
  end
  else null
"""


def functions(ruleset: Ruleset) -> str:
    """The functions with which the Patient is read; ``ruleset`` says between which ages its rules tell apart."""
    question = AgeQuestion(ruleset)
    low, high = question.definition.range or (0, 0)
    asked = dict.fromkeys(leaves_open(comparison, "youngest", "oldest", number) for comparison in question.comparisons)
    if question.used_in_arithmetic:
        asked["oldest - youngest > 1.0"] = None
    groups = [
        f'when "Youngest" >= {number(begins)} then {literal(group)}' for begins, group in reversed(question.groups)
    ]
    filled = _FUNCTIONS.replace("GROUPS", "\n    ".join(groups)).replace("OPEN", "\n    or ".join(asked) or "false")
    filled = filled.replace("AS_NOTED", str(AS_NOTED_DAYS * 86400))
    return filled.replace("LOW", number(low)).replace("HIGH", number(high))


def born() -> str:
    """The age by the date of birth, which stands above one that was noted."""
    return "{ " + tuples('"Age by Birth"', "null as Integer", text("Patient"), standing="1") + " }"


def apart(fact: FactDefinition) -> Iterator[str]:
    """That the date of birth and an age that was noted are not of one person, where ``fact`` is that doubt."""
    if fact.name == IDENTITY:
        yield (
            f'({name(f"Records of {AGE}")} R where R.standing = 0 and Abs(R.value - "Age by Birth") > 1.5\n'
            f"      return all {tuples('true', 'null as Integer', 'R.label')})"
        )


def groups(fact: FactDefinition) -> Iterator[str]:
    """The age group, where ``fact`` is that: it stands below what an examiner saw."""
    if fact.name == APPARENT:
        yield "{ " + tuples('"Group by Birth"', "null as Integer", text("Patient"), standing="-1") + " }"


def sexes(fact: FactDefinition, code_map: CodeMap) -> Iterator[str]:
    """The sex by the administrative genders of ``code_map``, where ``fact`` is that."""
    if fact.name != SEX:
        return
    said = " ".join(
        f"when Patient.gender.value = {text(gender)} then {literal(sex)}" for gender, sex in code_map.gender.items()
    )
    yield f"{{ {tuples(f'case {said} else null end', 'null as Integer', text('Patient'))} }}"
