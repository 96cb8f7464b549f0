"""Observations, their components and answers to questionnaires in FHIRPath: statements that have a value."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from decimal import Decimal
from fractions import Fraction

from cds.fhir.publishing.cql.diagnoses_procedures_orders import Codes, codes_of, codes_of_several
from cds.fhir.publishing.cql.observation import TYPED
from cds.fhir.publishing.fhirpath.condition import text
from cds.fhir.publishing.fhirpath.date_arithmetic import age, goes_on, is_day, padded, period_age, period_is_day
from cds.fhir.publishing.fhirpath.record_lines import (
    CODE,
    UNCHANGED,
    USUAL,
    VALUE,
    WORDED,
    begun,
    cleaned,
    codes,
    either,
    held,
    marked,
    names,
    referred,
    worded,
)
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.reader import PERSONS
from rules.model.facts import FactDefinition
from rules.model.units import UNITS, Dimension, factor, is_annotation, unit_of

_LINE_END = "¶"


def base_units(facts: Iterable[FactDefinition]) -> dict[Dimension, str]:
    """The unit in which quantities of each dimension are carried.

    It is the smallest of ``facts``, so that rounding takes nothing away.
    """
    units = {fact.unit for fact in facts if fact.unit is not None and not is_annotation(fact.unit)}
    found: dict[Dimension, str] = {}
    for unit in sorted(units, key=lambda unit: unit_of(unit).size, reverse=True):
        found[unit_of(unit).dimension] = unit
    found.pop(Dimension(), None)
    return found


def scaled(value: str, by: Fraction) -> str:
    """The number ``value`` times ``by``, rounded as the service's own numbers are not: to nine digits after the point."""
    decimal = Decimal(by.numerator) / Decimal(by.denominator)
    if by == 1:
        return value
    if Fraction(decimal) == by:
        return f"({value} * {format(decimal, 'f')}).round(9)"
    return f"({value} * {by.numerator}.0 / {by.denominator}.0).round(9)"


def statements(facts: list[FactDefinition], code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """The lists ``observed`` (Observations and components) and ``answered`` (questionnaires), as lines of text.

    They hold what is said of ``facts`` by the codes of ``code_map``.
    """
    written = _value(base_units(facts), code_map)
    counts = f"{UNCHANGED} and status in {either(('final', 'amended', 'corrected'))}"
    moment = (
        f"iif(effective.exists(), ({age('effective.ofType(dateTime)')} | {age('effective.ofType(instant)')} "
        f"| {period_age('effective.ofType(Period)')}), {age('issued')})"
    )
    timed = (
        f"(({moment}).exists() or (effective.empty() and issued.empty())) and (({moment}) < -TOLERANCE).not().allTrue()"
    )
    day = f"{is_day('effective.ofType(dateTime)')} or {period_is_day('effective.ofType(Period)')}"
    label = f"'Observation/' & id & '{CODE}' & {marked(goes_on('effective.ofType(Period)'), day)}"
    named = _facts_named(facts, code_map)
    whole, begins = codes_of_several(code_map)
    coding = f"('{CODE}' & system & '|' & code & '{CODE}')"
    several = (
        " or ".join([*(held(coding, key) for key in whole), *(begun(coding, key, ()) for key in begins)]) or "false"
    )
    one = f"(code.coding.count() < 2 and code.coding.where({several}).empty()) or {named}.distinct().count() < 2"
    kept = f"Bundle.entry.resource.ofType(Observation).where({counts}).where({timed})".replace(
        "TOLERANCE", str(round(code_map.future_tolerance_minutes * 60))
    )
    yield "patient_names", f"Bundle.entry.resource.ofType(Patient).select{names('Patient')}"
    yield "observations", f"{kept}.where(focus.where({_of_the_patient()}).count() = focus.count())"
    line = f"{codes('code.coding')} & '{VALUE}' & {written}"
    own = f"%observations.where(dataAbsentReason.empty() and ({one})).select({padded(moment)} & {label} & {line})"
    part = f"component.where(modifierExtension.empty() and dataAbsentReason.empty()).where({one})"
    # A component sees nothing of its Observation: the head of the line is carried along, and set before each afterwards.
    carried = f"{padded(moment)} & {label} & '{_LINE_END}' & ({part}).aggregate($total & ({line}) & '{_LINE_END}', '')"
    parts = f"%observations.where(component.exists()).select({carried}){_each_line()}"
    asked = " or ".join(held(f"('{CODE}' & {codes('code.coding')})", key) for key in sorted(code_map.finding_questions))
    found = f"{codes('value.ofType(CodeableConcept).coding')} & '{CODE}'"
    yield (
        "findings",
        f"%observations.where(value.ofType(CodeableConcept).exists() and dataAbsentReason.empty() and ({asked or 'false'}))"
        f".where({named}.empty()).select('{USUAL}' & {padded(moment)} & {label} & {found})",
    )
    yield "observed_values", f"({own}).combine({parts})"
    yield "observed", _answered("%observed_values", code_map)
    responses = (
        f"Bundle.entry.resource.ofType(QuestionnaireResponse)"
        f".where({UNCHANGED} and status in {either(('completed', 'amended'))})"
    )
    authored = age("authored")
    timed = f"(authored.empty() or ({authored}).exists()) and (({authored}) < -TOLERANCE).not().allTrue()".replace(
        "TOLERANCE", str(round(code_map.future_tolerance_minutes * 60))
    )
    # What may change the meaning of an item, or of an answer, may change that of all that stands under it.
    # Not with "|": an engine loses with it what type of value an answer has.
    below = "item.combine(answer.where(modifierExtension.empty()).item).where(modifierExtension.empty())"
    items = f"repeat({below}).where(linkId.exists() and answer.count() = 1 and answer.modifierExtension.empty())"
    answer = f"{cleaned('linkId')} & '{CODE}{VALUE}' & {written.replace('value.ofType', 'answer.value.ofType')}"
    head = (
        f"{padded(authored)} & 'QuestionnaireResponse/' & id & '{CODE}' & {marked('false', is_day('authored'))} & '|'"
    )
    carried = f"{head} & '{_LINE_END}' & ({items}).aggregate($total & ({answer}) & '{_LINE_END}', '')"
    yield "answer_values", f"{responses}.where({timed}).select({carried}){_each_line()}"
    yield "answers", _answered("%answer_values", code_map)


def _of_the_patient() -> str:
    """That a reference is to the patient, or to a thing of the patient's; of one that does not tell its type nobody can say."""
    persons = f"^(.*/)?({'|'.join(PERSONS)})/[^/]+(/_history/[^/]*)?$"
    somebody = f"iif(type.exists(), type in {either(PERSONS)}, reference.matches('{persons}'))"
    told = f"type.exists() or reference.matches('{TYPED}')"
    return f"iif({referred('reference', 'Patient')} in %patient_names, true, iif({somebody}, false, iif({told}, true, false)))"


def asks(fact: FactDefinition, line: str) -> str:
    """That the answer ``line`` is to an item that asks for ``fact``."""
    return " or ".join(f"{line}.contains('{CODE}|{link}{CODE}')" for link in dict.fromkeys((fact.code, fact.name)))


def means(codes_said: Codes, line: str) -> str:
    """That the text ``line`` holds one of ``codes_said``."""
    whole = [held(line, key) for key in codes_said.whole]
    starting = [
        begun(line, key, longer, codes_said.not_seventh.get(key, ()), codes_said.apart.get(key, ()))
        for key, longer in codes_said.beginnings.items()
    ]
    return "(" + " or ".join([*whole, *starting]) + ")"


def _each_line() -> str:
    """Each line of a text whose first is the head of all others."""
    head = f"substring(0, indexOf('{_LINE_END}'))"
    return (
        f".where(indexOf('{_LINE_END}') < length() - 1)"
        f".select($this.replace('{_LINE_END}', '{_LINE_END}' & {head}).split('{_LINE_END}')"
        f".where(contains('{VALUE}')))"
    )


def _value(units: dict[Dimension, str], code_map: CodeMap) -> str:
    """The value[x] of ``$this`` as text: its kind, and what it says."""
    quantity = "value.ofType(Quantity).where(comparator.empty() and system = 'http://unitsofmeasure.org')"
    known = [
        f"{quantity}.where(code = {text(unit)}).select('Q{base}=' & {scaled('value', factor(unit, base))}.toString())"
        for unit, measure in UNITS.items()
        if (base := units.get(measure.dimension))
    ]
    others = [unit for unit, measure in UNITS.items() if measure.dimension in units]
    known.append(
        f"{quantity}.where((code in {either(others)}).not()).select('Q' & {cleaned('code')} & '=' & value.toString())"
    )
    said = f"{cleaned('$this')}.trim().lower().replace('_', '-')"
    # A score has no unit but that of unity, which may be left out, and it may be written as text.
    known.append(
        "value.ofType(Quantity).where(comparator.empty() and code.empty() and unit.empty()).select('Q1=' & value.toString())"
    )
    plain = "trim().matches('^[0-9]{1,2}$')"
    kinds = [
        f"({' & '.join(known)})",
        "value.ofType(integer).select('N' & toString())",
        "value.ofType(decimal).select('N' & toString())",
        "value.ofType(boolean).select(iif($this, 'Btrue', 'Bfalse'))",
        f"value.ofType(CodeableConcept).select('C{CODE}' & {codes('coding')} & text.select('{WORDED}' & {said} & '{CODE}'))",
        f"value.ofType(Coding).select('C{CODE}' & {codes('$this')})",
        f"value.ofType(string).where({plain}).select('Q1=' & trim())",
        f"value.ofType(string).where({plain}.not()).select('C{CODE}{code_map.own_values}|' & {said} & '{CODE}')",
        f"value.ofType(dateTime).select('D' & ({age('$this')}).toString())",
    ]
    return " & ".join(kinds)


def _answered(lines: str, code_map: CodeMap) -> str:
    """``lines`` with the mark of yes, no or neither before the value of each."""
    said = f"substring(indexOf('{VALUE}') + 1)"
    yes, no = (
        " or ".join([f"{said} = '{plain}'", *(held(said, key) for key in sorted(codings))])
        for plain, codings in (("Btrue", code_map.yes), ("Bfalse", code_map.no))
    )
    words_of_yes, words_of_no = (
        " or ".join(worded(said, key) for key in sorted(codings) if key.system == code_map.own_values)
        for codings in (code_map.yes, code_map.no)
    )
    words = f"iif({words_of_yes}, 'Y', iif({words_of_no}, 'N', '-'))"
    mark = f"iif(({yes}) and ({no}).not(), 'Y', iif(({no}) and ({yes}).not(), 'N', iif({yes}, '-', {words})))"
    return f"{lines}.select(substring(0, indexOf('{VALUE}') + 1) & {mark} & {said})"


def _facts_named(facts: list[FactDefinition], code_map: CodeMap) -> str:
    """The facts that the codes of ``$this`` name. No value can be that of two."""
    coding = f"('{CODE}' & system & '|' & code & '{CODE}')"
    named = []
    for fact in facts:
        others = [one.of_others(code_map) for one in codes_of(fact, code_map, "Observation").values()]
        tests = [means(one, coding) for one in others if one.whole or one.beginnings]
        if tests:
            named.append(f"iif({' or '.join(tests)}, {text(fact.code)}, {{}})")
    own = f"iif(system = {text(code_map.own_facts)}, code, {{}})"
    return f"code.coding.select({' | '.join([own, *named])})"
