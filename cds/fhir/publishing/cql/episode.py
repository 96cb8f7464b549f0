"""Which injury a record answers for, in Clinical Quality Language. What ``cds.fhir.reading.reconciliation`` does."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from cds.fhir.publishing.cql.syntax import literal, name, step
from cds.fhir.reading.code_map import CodeMap
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

_BEGAN = """\
Min("Injuries" Y
    where not exists ("Injuries" X where X > Y and X - Y <= GAP)
    return all Y)"""
_NOTED = "Min({records} R where R.value is not null and R.age is not null return all R.age)"
_COUNTED = '{value} is not null and Coalesce("Hours Noted" <= "Injury Began", true)'
_INJURED = """\
if "Hours Count" then {value} * 3600.0 + 3600.0
  else "Injury Began" + 0.0"""
_BEFORE = """\
"Injured" is not null and (R.age is null
      or (R.age > "Injured" and (R.age <= "First Injury" or "Hours Count" or R.age > "Injured" + GAP.0)))"""


def began(ruleset: Ruleset, code_map: CodeMap, recorded: Callable[[FactDefinition], str]) -> Iterator[str]:
    """How many seconds ago the newest injury was: by the first record of it, or by hours that were noted since.

    ``code_map`` says which facts of ``ruleset`` are injuries, and ``recorded`` what the definition of a fact is called.
    """
    episode = code_map.episode
    if not episode.answers:
        return
    lists = []
    for fact in episode.injuries:
        said = "R.value" if ruleset.vocabulary[fact].type == "boolean" else "R.value is not null"
        records = f"{'Records' if ruleset.vocabulary[fact].lasting is None else 'Older Records'} of {fact}"
        lists.append(f"({name(records)} R where {said} and R.age is not null return all R.age)")
    yield step("Injuries", "flatten {\n    " + ",\n    ".join(lists) + "\n  }")
    yield step("Injury Began", _BEGAN.replace("GAP", str(round(episode.gap_hours * 3600))))
    yield step("First Injury", 'Coalesce(Max("Injuries"), -1)')
    if episode.hours is None:
        yield step("Hours Count", "false")
        yield step("Injured", '"Injury Began" + 0.0')
        return
    yield step("Hours Noted", _NOTED.format(records=name(f"Records of {episode.hours}")))
    value = name(recorded(ruleset.vocabulary[episode.hours]))
    yield step("Hours Count", _COUNTED.format(value=value))
    yield step("Injured", _INJURED.format(value=value))


def unless_before(fact: FactDefinition, code_map: CodeMap, value: str) -> str:
    """``value``, the newest of ``fact``; none where it counts, by ``code_map``, the hours since an injury before the newest one."""
    if fact.name != code_map.episode.hours or not code_map.episode.answers:
        return value
    gap = round(code_map.episode.gap_hours * 3600)
    return f'if Coalesce("Hours Noted" > "Injury Began" + {gap}, false) then null else {value}'


def of_this_injury(fact: FactDefinition, code_map: CodeMap) -> str:
    """That the record ``R`` of ``fact`` is not an answer for an earlier injury, as the end of a condition.

    It is empty where ``code_map`` does not name the fact as such an answer.
    """
    if fact.name not in code_map.episode.answers:
        return ""
    answers = code_map.episode.answers[fact.name]
    before = _BEFORE.replace("GAP", str(round(code_map.episode.gap_hours * 3600)))
    if answers is None:
        return f" and not ({before})"
    return f" and not (R.value in {{ {', '.join(map(literal, answers))} }} and {before})"
