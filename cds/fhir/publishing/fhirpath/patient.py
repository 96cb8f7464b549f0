"""The Patient in FHIRPath: the age by a date of birth that may be a month or a year, and the sex."""

from __future__ import annotations

from collections.abc import Iterator

from cds.fhir.canonical_urls import code
from cds.fhir.publishing.expression_languages.notation import leaves_open, plain_number
from cds.fhir.publishing.fhirpath.date_arithmetic import FIRST_DAY, NO_TIME, days
from cds.fhir.publishing.fhirpath.record_lines import ABOVE, BELOW, MEANS, USUAL
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.patient import AGE, APPARENT, IDENTITY, AgeQuestion
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

_BIRTH = "Bundle.entry.resource.ofType(Patient).birthDate.toString().first()"
_LAST = (
    "iif(length() = 10, $this, iif(length() = 4, $this & '-12-31', $this & iif(substring(5, 2) in ('04' | '06' | '09' | '11'), "
    "'-30', iif(substring(5, 2) != '02', '-31', iif(LEAP, '-29', '-28')))))"
)


def _leap(year: str) -> str:
    return f"({year} mod 4 = 0 and ({year} mod 100 != 0 or {year} mod 400 = 0))"


def person() -> Iterator[tuple[str, str]]:
    """``gender``, and ``youngest`` and ``oldest``: the age in years as the date of birth has it, the running year in parts."""
    yield "gender", "Bundle.entry.resource.ofType(Patient).gender.first().toString()"
    yield "today", "%at.substring(0, 10)"
    last = _LAST.replace("LEAP", _leap("substring(0, 4).toInteger()"))
    yield "born_first", f"{_BIRTH}.select({FIRST_DAY}).where($this <= %today)"
    yield "born_last", f"{_BIRTH}.where(%born_first.exists()).select({last}).select(iif($this > %today, %today, $this))"
    for name, born in (("oldest", "born_first"), ("youngest", "born_last")):
        year = "%today.substring(0, 4).toInteger()"
        had = f"%{born}.select(iif(substring(5) <= %today.substring(5), {year}, {year} - 1))"
        # Born on 29 February: 28 February sorts before it, 1 March after it, whether the running year has that day or not.
        yield f"{name}_year", had
        yield f"{name}_birthday", _birthday(born, f"%{name}_year")
        yield f"{name}_next", _birthday(born, f"(%{name}_year + 1)")
        whole = f"(%{name}_year - %{born}.substring(0, 4).toInteger())"
        part = f"(%today.select({days()}) - %{name}_birthday.select({days()}))"
        length = f"(%{name}_next.select({days()}) - %{name}_birthday.select({days()}))"
        yield name, f"{whole} + {part} / {length}"


def _birthday(born: str, year: str) -> str:
    leap = _leap(year)
    day = f"iif($this.endsWith('-02-29') and {leap}.not(), '-03-01', $this.substring(4))"
    return f"%{born}.select({year}.toString() & {day})"


def usable(ruleset: Ruleset, youngest: str, oldest: str) -> str:
    """That ``youngest`` can stand for an age somewhere up to ``oldest``: it is plausible, and no rule tells them apart.

    Both are expressions of years; the rules are those of ``ruleset``.
    """
    return f"({_plausible(ruleset, youngest)} and {_left_open(ruleset, youngest, oldest)}.not())"


def _plausible(ruleset: Ruleset, age: str) -> str:
    low, high = AgeQuestion(ruleset).definition.range or (0, 0)
    return f"{age} >= {plain_number(low)} and {age} <= {plain_number(high)}"


def _left_open(ruleset: Ruleset, youngest: str, oldest: str) -> str:
    question = AgeQuestion(ruleset)
    asked = list(dict.fromkeys(leaves_open(one, youngest, oldest, plain_number) for one in question.comparisons))
    if question.used_in_arithmetic:
        asked.append(f"({oldest} - {youngest} > 1)")
    return f"({youngest} != {oldest} and ({' or '.join(asked) or 'false'}))"


def said_by_patient(fact: FactDefinition, ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """What the Patient says of ``fact``, if anything, and that an age which was noted is not of whoever was born then.

    ``ruleset`` says which ages can be told from a date of birth, ``code_map`` has the administrative genders.
    """
    if fact.name == AGE:
        line = f"'{ABOVE}{NO_TIME}Patient=' & $this.round(9).toString()"
        yield f"%youngest.where({usable(ruleset, '$this', '%oldest')}).select({line})"
    if fact.name == APPARENT:
        groups = "{}"
        for begins, group in AgeQuestion(ruleset).groups:
            groups = f"iif($this >= {plain_number(begins)}, '{code(group)};', {groups})"
        coarse = f"{_plausible(ruleset, '$this')} and {_left_open(ruleset, '$this', '%oldest')}"
        yield f"%youngest.where({coarse}).select({groups}).select('{BELOW}{NO_TIME}Patient=' & $this)"
    if fact.name == IDENTITY:
        born = f"%records_{AGE}.where(startsWith('{ABOVE}')).select({MEANS}.toDecimal())"
        noted = f"%records_{AGE}.where(startsWith('{USUAL}'))"
        yield (
            f"{noted}.where(({MEANS}.toDecimal() - %born_age).abs() > 1.5)"
            f".select('{USUAL}{NO_TIME}' & substring(11, indexOf('=') - 11) & '=Y')"
        ).replace("%born_age", f"({born})")
    if fact.name == "sex":
        for gender, sex in code_map.gender.items():
            line = f"'{USUAL}{NO_TIME}Patient={code(sex)};'"
            yield f"%gender.where($this = '{gender}').select({line})"
