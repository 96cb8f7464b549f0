"""Facts out of FHIR R4 records, in Clinical Quality Language: for each, the records that count, and the value that wins.

It says what ``cds.fhir.reading`` does, for what can be said without the words of a code map. ``docs/fhir.md`` names what only
the service reads.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction

from cds.fhir.publishing.cql import (
    device_use,
    diagnoses_procedures_orders,
    encounter,
    episode,
    observation,
    patient,
    questionnaire_response,
)
from cds.fhir.publishing.cql.observation import Statements, label_of, system_of
from cds.fhir.publishing.cql.record_functions import functions, together, tuples
from cds.fhir.publishing.cql.syntax import define, listed, literal, name, number, optional, step, text
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.patient import AGE
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset
from rules.model.units import UnitError, convert, is_annotation

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
_MOST_PARTS = 100_000_000
_LARGEST = 2**31
"""An engine may take a whole number from here on for an overflow: nobody writes an age in seconds."""
_TYPES = {"boolean": "Boolean", "code": "String", "number": "Decimal", "integer": "Decimal"}


def terminology(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """The code systems and codes of ``code_map`` by which Observations of the facts of ``ruleset`` are retrieved."""
    keys = observation.retrieved(observable(ruleset), code_map)
    for system, key in {key.system: key for key in keys}.items():
        yield f"codesystem {name(system_of(key))}: {text(system)}"
    for key in keys:
        yield f"code {name(label_of(key))}: {text(key.code)} from {name(system_of(key))}"


def records(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """What all facts of ``ruleset`` are read with, and each kind of record as it is read for all of them by ``code_map``."""
    yield functions(code_map)
    yield patient.functions(ruleset)
    yield observation.observations(observable(ruleset), code_map)
    yield questionnaire_response.questionnaire_answers()
    yield diagnoses_procedures_orders.coded_records(code_map)
    yield device_use.device_uses(code_map)
    yield encounter.encounters(code_map)


def recorded_facts(ruleset: Ruleset, code_map: CodeMap) -> Iterator[str]:
    """For each fact of ``ruleset`` that an observer may give: what it is read in, the records that count, and the value that wins.

    Its codes are those of ``code_map``.
    """
    for fact in observable(ruleset):
        yield from _accepted(fact, code_map)
        elapses = fact.name in code_map.elapsing
        limit = None if elapses else ruleset.stale_after_hours(fact)
        yield step(f"Records of {fact.name}", together(_records(fact, ruleset, code_map, limit)))
        if fact.lasting is not None:
            longest = ruleset.looked_back_hours(fact)
            yield step(f"Older Records of {fact.name}", together(_records(fact, ruleset, code_map, longest)))
        said = define if recorded(fact) == fact.name else step
        yield said(recorded(fact), _winner(fact, code_map), f"{fact.label}: {fact.meaning}")
    yield from episode.began(ruleset, code_map, recorded)


def recorded(fact: FactDefinition) -> str:
    """The definition of the recorded value of ``fact``: the fact itself, unless rules may conclude it too."""
    return fact.name if fact.given == "observed" else f"Recorded {fact.name}"


def observable(ruleset: Ruleset) -> list[FactDefinition]:
    """The facts of ``ruleset`` that an observer may give."""
    return [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]


def _records(fact: FactDefinition, ruleset: Ruleset, code_map: CodeMap, hours: float | None) -> Iterator[str]:
    if fact.name == AGE:
        yield patient.born()
    limit = optional(None if hours is None else number(hours), "Decimal")
    answers = Statements('"Answers"', questionnaire_response.answered(fact))
    for statements in (*observation.stated(fact, code_map), answers):
        # One question after the other: engines evaluate both sides of an `and`.
        asked = statements.records if statements.test is None else f"({statements.records} S where {statements.test})"
        kept = " and ".join(_kept(fact, code_map, limit, statements.meant))
        record = _statement(fact, code_map, statements.meant)
        yield f"({asked} A\n      where {kept} return all {record})"
    yield from diagnoses_procedures_orders.implied(fact, code_map, limit)
    yield from diagnoses_procedures_orders.injured(fact, ruleset.vocabulary, code_map)
    yield from device_use.worn(fact, limit)
    yield from encounter.stayed(fact)
    yield from patient.sexes(fact, code_map)
    yield from patient.groups(fact)
    yield from patient.apart(fact)


def _kept(fact: FactDefinition, code_map: CodeMap, limit: str, meant: FactValue | None) -> Iterator[str]:
    dangers = code_map.dangers(fact)
    if dangers:
        danger = f"({_value(fact, code_map, meant)}) in {{ {', '.join(map(literal, dangers))} }}"
        yield f'"Danger in Time"(A.age, if {danger} then A.latest else A.age, {limit})'
    else:
        yield f'"In Time"(A.age, {limit})'
    if fact.name in code_map.elapsing:
        yield "(A.age is not null or A.stated is FHIR.dateTime)"


def _statement(fact: FactDefinition, code_map: CodeMap, meant: FactValue | None) -> str:
    """The statement ``A`` as a record of ``fact``; ``meant`` is what a yes says, where the code says the value."""
    value, age = _value(fact, code_map, meant), "A.age"
    if fact.name in code_map.elapsing:
        assert fact.range is not None
        low, high = map(number, fact.range)
        value = f'"Within"("Hours by Now"(A.stated, {value}, A.age), {low}, {high}, {optional(None, "Decimal")})'
        age = "if A.stated is FHIR.dateTime then 0 else A.age"
    if fact.name == AGE:
        value = f'"Age by Now"({value}, A.age)'
    return tuples(value, age, "A.label")


def _value(fact: FactDefinition, code_map: CodeMap, meant: FactValue | None) -> str:
    if meant is not None and fact.type != "boolean":
        return f'if "Boolean of"(A.stated) then {literal(meant)} else null'
    if fact.type == "boolean":
        return 'not "Boolean of"(A.stated)' if meant is False else '"Boolean of"(A.stated)'
    if fact.type == "code":
        return f'"Code of"(A.stated, {name(f"Codes of {fact.name}")})'
    assert fact.range is not None
    plain = fact.unit is None or is_annotation(fact.unit)
    counted_in = optional(None if fact.counted_in is None else number(fact.counted_in), "Decimal")
    low, high = map(number, fact.range)
    read = f'"Number of"(A.stated, {name(f"Units of {fact.name}")}, {str(plain).lower()})'
    return f'"Within"({read}, {low}, {high}, {counted_in})'


def _winner(fact: FactDefinition, code_map: CodeMap) -> str:
    kind = _TYPES[fact.type]
    usable = f"{name(f'Records of {fact.name}')} R where R.value is not null{episode.of_this_injury(fact, code_map)}"
    if kind == "Decimal":
        return episode.unless_before(fact, code_map, f'"Newest Decimal"({usable})')
    safer = code_map.safer.get(fact.name)
    dangerous = optional(None if safer is None else literal(safer), kind)
    newest = f'"Newest {kind}"({usable}, {dangerous})'
    if fact.lasting is None:
        return newest
    older = usable.replace("Records of", "Older Records of", 1)
    lasting = f'"Lasting {kind}"("Newest {kind}"({older}, {dangerous}), {listed(map(literal, fact.lasting.answers))})'
    return f"Coalesce({lasting}, {newest})"


def _accepted(fact: FactDefinition, code_map: CodeMap) -> Iterator[str]:
    """The codes or the units in which ``fact`` is read, where it is coded or a number."""
    if fact.type == "code":
        codes = (
            f"Tuple {{ system: {text(key.system)}, code: {text(key.code)}, value: {literal(value)} }}"
            for (named, key), value in code_map.values.items()
            if named == fact.name
        )
        yield step(f"Codes of {fact.name}", listed(codes))
    elif fact.numeric:
        units = (_unit(unit, factor) for unit, factor in accepted_units(fact, code_map).items())
        yield step(f"Units of {fact.name}", listed(units))


def _unit(unit: str, factor: float) -> str:
    """What one ``unit`` is in the fact's own, as a fraction: a decimal of CQL has eight digits after the point."""
    exact = Fraction(factor).limit_denominator(_MOST_PARTS)
    if abs(float(exact) - factor) > 1e-12:
        raise ValueError(f"{unit}: {factor} is not a fraction of at most {_MOST_PARTS} parts")
    whole = round(factor, 8) == factor
    above, below = (factor, 1.0) if whole else (float(exact.numerator), float(exact.denominator))
    return f"Tuple {{ unit: {text(unit)}, factor: {number(above)}, divisor: {number(below)} }}"


def accepted_units(fact: FactDefinition, code_map: CodeMap) -> dict[str, float]:
    """The UCUM units in which the library reads ``fact``, each with what one of it is in the fact's own unit.

    ``code_map`` has the units of what is only counted.
    """
    if fact.unit is None:
        return {"1": 1.0}
    if is_annotation(fact.unit):
        return dict.fromkeys((fact.unit, *code_map.counted.get(fact.unit, ())), 1.0)
    found = {fact.unit: 1.0}
    highest = max(map(abs, fact.range or (0.0,)))
    for unit in _UNITS:
        try:
            factor = convert(Decimal(1), unit, fact.unit)
        except UnitError:
            continue
        if highest / factor < _LARGEST:
            found.setdefault(unit, factor)
    return found
