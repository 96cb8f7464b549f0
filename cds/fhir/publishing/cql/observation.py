"""Observations and their components in Clinical Quality Language. What ``cds.fhir.reading.observation`` does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

from cds.fhir.publishing.cql.diagnoses_procedures_orders import codes_of, codes_of_several
from cds.fhir.publishing.cql.record_functions import is_one_of, label
from cds.fhir.publishing.cql.syntax import name, text
from cds.fhir.reading.code_map import CodeMap, CodingKey
from cds.fhir.reading.reader import PERSONS
from rules.model.facts import FactDefinition, FactValue

OBSERVATION = "Observation"
TYPED = r"^(.*/)?[A-Z][A-Za-z]*/[A-Za-z0-9.-]{1,64}(/_history/[^/]*)?$"
"""A reference that tells the type of what it leads to."""

_PREPARED = f"""\
// A focus that is the patient, or a thing of the patient's. Of one that does not tell its type nobody can say.
define function "Is of the Patient"(F FHIR.Reference):
  if Coalesce("Leads To"(F.reference.value, 'Patient', Patient.id.value), false) then true
  else if F.type is not null then not (F.type.value in {{ PERSONS }})
  else Coalesce(Matches(F.reference.value, '{TYPED}'), false)
    and not Matches(F.reference.value, '^(.*/)?(ONE_OF_PERSONS)/[^/]+(/_history/[^/]*)?$')

define function "Counts"(R FHIR.Observation):
  "Unchanged"(R) and R.status.value in {{ 'final', 'amended', 'corrected' }} and not "Says No Moment"(R.effective)
    and not exists (R.focus F where not "Is of the Patient"(F))

define function "Age of Observation"(R FHIR.Observation):
  if R.effective is not null then "Age of Time"(R.effective) else "Age of"(R.issued.value)

define function "Latest of Observation"(R FHIR.Observation):
  if R.effective is not null then "Latest of Time"(R.effective, true) else "Latest of"(R.issued.value)

// The fact that a code names, by its own code.
define function "Fact of Coding"(C Tuple{{system String, code String}}):
  case
    FACTS
    else null
  end

// A value cannot be that of several facts.
define function "Names One"(codings List<Tuple{{system String, code String}}>):
  not exists (codings C where SEVERAL) and (Count(codings) <= 1
    or Count(distinct (((codings) C return all "Fact of Coding"(C)) F where F is not null return all F)) <= 1)

define function "Stated by"(records List<FHIR.Observation>):
  records R where "Counts"(R) and R.dataAbsentReason is null and "Names One"("Plain"(R.code.coding))
    return all Tuple {{
      stated: R.value,
      age: "Age of Observation"(R),
      latest: "Latest of Observation"(R),
      label: {label(OBSERVATION, "R")}
    }}

// Observations that no retrieval by code finds: by the beginning of a code, and by the codes of components.
define private "Other Observations":
  [Observation] R where exists R.component or exists (R.code.coding C where C.system.value != OWN)

define private "Observations by Codes of Others":
  (("Other Observations" R
    where exists (R.code.coding C where C.system.value != OWN) and "Counts"(R)
      and R.dataAbsentReason is null
    return all Tuple {{
      codings: "Plain"(R.code.coding),
      stated: R.value,
      age: "Age of Observation"(R),
      latest: "Latest of Observation"(R),
      label: {label(OBSERVATION, "R")}
    }})) R
    where "Names One"(R.codings)

define private "Components":
  flatten ("Other Observations" R where exists R.component and "Counts"(R)
    return all (R.component P
      where not exists P.modifierExtension and P.dataAbsentReason is null and "Names One"("Plain"(P.code.coding))
      return all Tuple {{
        codings: "Plain"(P.code.coding),
        stated: P.value,
        age: "Age of Observation"(R),
        latest: "Latest of Observation"(R),
        label: {label(OBSERVATION, "R")}
      }}))
"""


def observations(facts: list[FactDefinition], code_map: CodeMap) -> str:
    """The definitions with which Observations of ``facts``, and their components, are read by the codes of ``code_map``."""
    cases = [f"when C.system = {text(code_map.own_facts)} then C.code"]
    for fact in facts:
        codes = codes_of(fact, code_map, OBSERVATION).values()
        others = [one.of_others(code_map) for one in codes]
        tests = [one.test() for one in others if one.whole or one.beginnings]
        if tests:
            cases.append(f"when {' or '.join(tests)} then {text(fact.code)}")
    several = is_one_of(*codes_of_several(code_map))
    return (
        is_somebody(_PREPARED)
        .replace("FACTS", "\n    ".join(cases))
        .replace("SEVERAL", several)
        .replace("OWN", text(code_map.own_facts))
    )


def retrieved(facts: list[FactDefinition], code_map: CodeMap) -> list[CodingKey]:
    """The codes of ``code_map`` by which Observations of ``facts`` are retrieved."""
    found = (key for fact in facts for codes in codes_of(fact, code_map, OBSERVATION).values() for key in codes.whole)
    return list(dict.fromkeys(found))


def is_somebody(written: str) -> str:
    """``written`` with the types of resources that are somebody in it."""
    return written.replace("ONE_OF_PERSONS", "|".join(PERSONS)).replace("PERSONS", ", ".join(map(text, PERSONS)))


class Statements(NamedTuple):
    """A list of statements, the ``test`` of each (``S``), and the value of the fact that a yes means (None: it is a value)."""

    records: str
    test: str | None = None
    meant: FactValue | None = None


def stated(fact: FactDefinition, code_map: CodeMap) -> Iterator[Statements]:
    """What Observations and their components state of ``fact`` by the codes of ``code_map``."""
    for meant, codes in codes_of(fact, code_map, OBSERVATION).items():
        if codes.whole:
            records = " union ".join(f"[Observation: {name(label_of(key))}]" for key in codes.whole)
            yield Statements(f'("Stated by"({records}))', meant=meant)
        if codes.beginnings:
            begun = replace(codes, whole=[]).test()
            yield Statements('"Observations by Codes of Others"', f"exists (S.codings C where {begun})", meant)
        yield Statements('"Components"', f"exists (S.codings C where {codes.test()})", meant)


def label_of(key: CodingKey) -> str:
    """The name that the library gives to the code ``key``."""
    return f"{system_of(key)} {key.code}"


def system_of(key: CodingKey) -> str:
    """The name that the library gives to the code system of ``key``."""
    return f"System {key.system.removeprefix('http://').removeprefix('https://')}"
