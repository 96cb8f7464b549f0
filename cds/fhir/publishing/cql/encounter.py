"""Encounter and Location in Clinical Quality Language: the setting that the patient is in now. ``cds.fhir.reading.encounter``."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.publishing.cql.record_functions import is_one_of, label
from cds.fhir.publishing.cql.syntax import literal
from cds.fhir.reading.code_map import CodeMap, CodingKey
from cds.fhir.reading.encounter import SETTING
from rules.model.facts import FactDefinition

_PREPARED = """\
define function "Setting of Coding"(C Tuple{system String, code String}):
  case
    SETTINGS
    else null
  end

define function "Settings of"(codings List<FHIR.Coding>):
  (("Plain"(codings)) C return all "Setting of Coding"(C)) S where S is not null

// Of the encounters that run the one that started last.
define private "Current Encounter":
  First([Encounter] R
    where R.status.value in { 'arrived', 'triaged', 'in-progress', 'onleave' }
    return all Tuple { encounter: R, age: Coalesce("Age of"(R.period.start.value), 2000000000), label: LABEL }
    sort by age asc, label desc)

define private "Stays Now":
  "Current Encounter".encounter.location L
    where not (Coalesce(L.status.value, 'active') in { 'planned', 'reserved', 'completed' })
      and not (Coalesce("Age of"(L.period.end.value), -1) >= 0)

define private "Settings of Locations":
  flatten ([Location] P
    where exists ("Stays Now" L where "Leads To"(L.location.reference.value, 'Location', P.id.value))
    return all flatten (P.type K return all "Settings of"(K.coding)))

define private "Settings by Encounter":
  if "Current Encounter" is null or "Current Encounter".age < 0 or not "Unchanged"("Current Encounter".encounter)
  then List<Tuple{value String, age Integer, standing Integer, label String}> {}
  else flatten {
    ("Settings of Locations" S return all
      Tuple { value: S, age: "Current Encounter".age, standing: 1, label: "Current Encounter".label }),
    (("Settings of"({ "Current Encounter".encounter.class })) S return all
      Tuple { value: S, age: "Current Encounter".age, standing: 0, label: "Current Encounter".label })
  }
"""


def encounters(code_map: CodeMap) -> str:
    """The definition of the settings that the running encounter and its locations say, by the codes of ``code_map``."""
    by_setting: dict[str, list[CodingKey]] = {}
    for key, setting in code_map.settings.items():
        by_setting.setdefault(setting, []).append(key)
    cases = "\n    ".join(f"when {is_one_of(keys)} then {literal(setting)}" for setting, keys in by_setting.items())
    return _PREPARED.replace("SETTINGS", cases).replace("LABEL", label("Encounter", "R"))


def stayed(fact: FactDefinition) -> Iterator[str]:
    """What the encounter says of ``fact``, if anything."""
    if fact.name == SETTING:
        yield '"Settings by Encounter"'
