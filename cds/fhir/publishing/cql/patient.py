"""The Patient resource in Clinical Quality Language: age from a birth date, and sex. What ``cds.fhir.reading.patient`` does."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.publishing.cql.records import tuples
from cds.fhir.publishing.cql.syntax import literal, number, optional, text
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.patient import AGE
from rules.model.facts import FactDefinition

__all__ = ["AGE", "FUNCTIONS", "SEX", "ages", "sexes"]

SEX = "sex"

FUNCTIONS = """\
// Somebody born on 29 February completes a year on 1 March where there is no such day.
define function "Birthday"(born Date, in_year Integer):
  if month from born = 2 and day from born = 29
    and not (in_year mod 4 = 0 and (in_year mod 100 != 0 or in_year mod 400 = 0))
  then Date(in_year, 3, 1)
  else Date(in_year, month from born, day from born)

define function "Years"(born Date, today Date, completed Integer):
  "Decimal of"(completed)
    + "Decimal of"(days between "Birthday"(born, year from born + completed) and today)
      / "Decimal of"(days between "Birthday"(born, year from born + completed)
          and "Birthday"(born, year from born + completed + 1))

define function "Exact Age"(born Date, today Date):
  if day from born is null or born after today then null
  else "Years"(born, today, year from today - year from born
    - (if "Birthday"(born, year from today) after today then 1 else 0))
"""


def ages(fact: FactDefinition) -> str:
    """The age by the date of birth."""
    low, high = fact.range or (0, 0)
    exact = '"Exact Age"(Patient.birthDate.value, date from "At")'
    value = f'"Within"({exact}, {number(low)}, {number(high)}, {optional(None, "Decimal")})'
    return f"{{ {tuples(value, 'null as Integer', text('Patient'))} }}"


def sexes(fact: FactDefinition, code_map: CodeMap) -> Iterator[str]:
    """The sex, where ``fact`` is that."""
    if fact.name != SEX:
        return
    said = " ".join(
        f"when Patient.gender.value = {text(gender)} then {literal(sex)}" for gender, sex in code_map.gender.items()
    )
    yield f"{{ {tuples(f'case {said} else null end', 'null as Integer', text('Patient'))} }}"
