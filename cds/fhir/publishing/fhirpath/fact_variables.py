"""Facts out of a Bundle in FHIRPath: for each, the records that count, and the value that wins."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from cds.fhir.canonical_urls import code
from cds.fhir.publishing.cql.diagnoses_procedures_orders import codes_of
from cds.fhir.publishing.cql.fact_definitions import observable
from cds.fhir.publishing.expression_languages.notation import plain_number
from cds.fhir.publishing.fhirpath import other_records, patient
from cds.fhir.publishing.fhirpath.condition import text
from cds.fhir.publishing.fhirpath.date_arithmetic import NO_TIME, padded_number, unpadded
from cds.fhir.publishing.fhirpath.record_lines import (
    ANSWER,
    CODE,
    HEAD,
    MEANS,
    STATED,
    USUAL,
    either,
    held,
    least,
    not_older,
    worded,
)
from cds.fhir.publishing.fhirpath.statements import asks, base_units, means, scaled
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.patient import AGE, AS_NOTED_DAYS
from rules.model.facts import FactDefinition, FactValue, Lasting
from rules.model.ruleset import Ruleset
from rules.model.units import factor, is_annotation, unit_of

_YEAR_SECONDS = 31556952


def recorded_facts(ruleset: Ruleset, code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """For each fact of ``ruleset`` that an observer may give ``records_NAME``, and the value that wins.

    The value is under the fact's own name, or ``recorded_NAME`` where rules may conclude it too. Records are read by
    the codes of ``code_map``.
    """
    # The age first: another fact is whether two ages are of one person. Before the answers about one injury, when it was.
    episode = code_map.episode
    facts = sorted(
        observable(ruleset),
        key=lambda fact: (fact.name != AGE, fact.name in episode.answers, fact.name == episode.hours),
    )
    first_answer = next((fact.name for fact in facts if fact.name in episode.answers), None)
    for fact in facts:
        expressions = _FactExpressions(fact, ruleset, code_map)
        if fact.name == first_answer:
            yield from _injured(ruleset, code_map)
        yield f"records_{fact.name}", _combined(expressions.records(expressions.limit)) + expressions.of_this_injury()
        if fact.name == episode.hours and episode.answers:
            yield from _began(ruleset, code_map)
        if fact.lasting is not None:
            older = _combined(expressions.records(ruleset.looked_back_hours(fact)))
            yield f"older_{fact.name}", older + expressions.of_this_injury()
            yield f"lasting_{fact.name}", expressions.lasting(fact.lasting)
        yield recorded(fact), expressions.winner()


def recorded(fact: FactDefinition) -> str:
    """The variable that holds the recorded value of ``fact``."""
    return fact.name if fact.given == "observed" else f"recorded_{fact.name}"


class _FactExpressions:
    """The expressions that read one fact out of the records."""

    def __init__(self, fact: FactDefinition, ruleset: Ruleset, code_map: CodeMap) -> None:
        self.fact, self.ruleset, self.code_map = fact, ruleset, code_map
        self.elapses = fact.name in code_map.elapsing
        self.limit = None if self.elapses else ruleset.stale_after_hours(fact)

    def records(self, limit: float | None) -> Iterator[str]:
        """The records that count, of at most ``limit`` hours."""
        fact, code_map = self.fact, self.code_map
        for meant, said in codes_of(fact, code_map, "Observation").items():
            yield self._stated(f"%observed.where({means(said, '$this')})", meant, limit)
        yield self._stated(f"%answers.where({asks(fact, '$this')})", None, limit)
        yield from other_records.implied(fact, code_map, limit)
        for line in other_records.injured(fact, self.ruleset.vocabulary, code_map):
            yield f"({line}){self._plausible()}"
        for line in other_records.worn(fact, code_map, limit):
            yield f"({line}){self._plausible()}"
        yield from other_records.stayed(fact, code_map)
        yield from patient.said_by_patient(fact, self.ruleset, code_map)

    def of_this_injury(self) -> str:
        """Leaves out the records that answer for an earlier injury than the newest on record."""
        answers = self.code_map.episode.answers.get(self.fact.name, ())
        if answers == ():
            return ""
        at = "substring(1, 10)"
        gap = round(self.code_map.episode.gap_hours * 3600)
        own = f"{unpadded(at)} <= %first_injury or %hours_count or {unpadded(at)} > %injured + {gap}"
        older = f"{unpadded(at)} > %injured and ({own})"
        before = f"(%injured.exists() and iif({at} = '{NO_TIME}', true, {older}))"
        if answers is not None:
            before = f"({MEANS} in {either(map(_said, answers))} and {before})"
        return f".where({before}.not())"

    def _stated(self, lines: str, meant: FactValue | None, limit: float | None) -> str:
        """The statements ``lines`` as records; ``meant`` is what a yes says, where the code says the value."""
        if limit is not None:
            lines += f".where({not_older('substring(0, 10)', limit, self._dangerous(meant))})"
        head, kept = f"'{USUAL}' & {HEAD}", f".where({MEANS} != '')"
        if self.fact.type == "boolean":
            answers = ("N", "Y") if meant is False else ("Y", "N")
            value = f"iif({ANSWER} = 'Y', '{answers[0]}', '{answers[1]}')"
            return f"{lines}.where({ANSWER} != '-').select({head} & '=' & {value})"
        if meant is not None:
            return f"{lines}.where({ANSWER} = 'Y').select({head} & '={_written(meant)}')"
        if self.fact.type == "code":
            return f"{lines}.select({head} & '=' & {self._codes()}){kept}.where({MEANS}.matches('^[^;]+;$'))"
        if self.elapses:
            age = f"iif({STATED}.startsWith('D'), '{padded_number(0)}', substring(0, 10))"
            head = f"'{USUAL}' & {age} & substring(10, indexOf('{CODE}') - 10)"
        return f"{lines}.select({head} & '=' & {self._number()}){kept}{self._plausible()}"

    def _dangerous(self, meant: FactValue | None) -> str:
        """That a statement says a danger; ``meant`` is what a yes says, where the code says the value."""
        dangers = self.code_map.dangers(self.fact)
        if self.fact.type == "boolean":
            answers = sorted("Y" if danger is (meant is not False) else "N" for danger in dangers)
            return f"{ANSWER} in {either(answers)}"
        if meant is not None or not dangers:
            return str(meant in dangers).lower()
        return f"({self._codes()}) in {either(map(_written, dangers))}"

    def _codes(self) -> str:
        """The values that the codes of a statement say, each with a mark behind it."""
        by_code: dict[FactValue, list[str]] = {}
        by_words: dict[FactValue, list[str]] = {}
        for (named, key), value in self.code_map.values.items():
            if named == self.fact.name:
                by_code.setdefault(value, []).append(held(STATED, key))
                if key.system == self.code_map.own_values:
                    by_words.setdefault(value, []).append(worded(STATED, key))
        coded, words = (
            " & ".join(f"iif({' or '.join(tests)}, '{_written(value)}', '')" for value, tests in by_value.items())
            for by_value in (by_code, by_words)
        )
        return f"iif(({coded}) != '', {coded}, {words})"

    def _number(self) -> str:
        """The number that a statement says, in the unit of the fact; an empty text where it says none."""
        fact = self.fact
        if fact.unit is None:
            ways = [self._way("Q1=", Fraction(1)), self._way("N", Fraction(1))]
        elif is_annotation(fact.unit):
            units = (fact.unit, *self.code_map.counted.get(fact.unit, ()))
            ways = [*(self._way(f"Q{unit}=", Fraction(1)) for unit in units), self._way("N", Fraction(1))]
        else:
            base = base_units(observable(self.ruleset)).get(unit_of(fact.unit).dimension, fact.unit)
            ways = [self._way(f"Q{base}=", factor(base, fact.unit))]
        if self.elapses:
            ways.append(
                f"{STATED}.where(startsWith('D')).select((substring(1).toInteger() / 3600.0).round(9).toString())"
            )
        return " & ".join(ways)

    def _way(self, prefix: str, by: Fraction) -> str:
        number = scaled(f"substring({len(prefix)}).toDecimal()", by)
        if self.elapses:
            return self._grown(prefix, number)
        if self.fact.name == AGE:
            return self._aged(prefix, number)
        return f"{STATED}.where(startsWith({text(prefix)})).select(({number}).round(6).toString())"

    def _grown(self, prefix: str, number: str) -> str:
        """Hours that were noted, and those since."""
        elapsed = unpadded("substring(0, 10)")
        noted = f"{STATED}.select({number})"
        grown = f"({noted} + iif({elapsed} > 0, {elapsed}, 0) / 3600.0).round(9).toString()"
        return f"iif({STATED}.startsWith({text(prefix)}) and substring(0, 10) != '{NO_TIME}', {grown}, '')"

    def _aged(self, prefix: str, number: str) -> str:
        """An age that was noted, after a month brought forward; whole years mean any moment of that year of life."""
        elapsed, noted = unpadded("substring(0, 10)"), f"{STATED}.select({number}.round(6))"
        grown = f"({noted} + iif({elapsed} > 0, {elapsed}, 0) / {_YEAR_SECONDS}.0)"
        ages = {
            step: f"{grown}.select(iif({patient.usable(self.ruleset, '$this', f'($this + {step})')}, round(9).toString(), ''))"
            for step in ("1.0", "0.1")
        }
        forward = f"iif({noted} = {noted}.truncate(), {ages['1.0']}, {ages['0.1']})"
        value = f"iif({elapsed} <= {AS_NOTED_DAYS * 86400}, {noted}.toString(), {forward})"
        return f"iif({STATED}.startsWith({text(prefix)}) and substring(0, 10) != '{NO_TIME}', {value}, '')"

    def _plausible(self) -> str:
        """Keeps the numbers within the range of the fact, and on its steps."""
        if not self.fact.numeric or self.fact.range is None:
            return ""
        number = f"{MEANS}.toDecimal()"
        low, high = map(plain_number, self.fact.range)
        step = self.fact.counted_in
        counted = (
            f" and ({number} / {plain_number(step)}) = ({number} / {plain_number(step)}).truncate()" if step else ""
        )
        return f".where({number} >= {low} and {number} <= {high}{counted})"

    def winner(self) -> str:
        """Of the records with the highest standing and the newest moment: the value, unless they contradict each other."""
        fresh = self._newest(f"%records_{self.fact.name}")
        if self.fact.name == self.code_map.episode.hours and self.code_map.episode.answers:
            gap = round(self.code_map.episode.gap_hours * 3600)
            before = f"%injury_began.exists() and %hours_noted.exists() and %hours_noted > %injury_began + {gap}"
            return f"iif({before}, {{}}, {fresh})"
        if self.fact.lasting is None:
            return fresh
        return f"iif(%lasting_{self.fact.name}.exists(), %lasting_{self.fact.name}, {fresh})"

    def lasting(self, lasting: Lasting) -> str:
        """The value that wins whatever its age, where it is one of the answers that last."""
        answers = " or ".join(f"$this = {_as_fact(answer)}" for answer in lasting.answers)
        return f"({self._newest(f'%older_{self.fact.name}')}).where({answers})"

    def _newest(self, lines: str) -> str:
        newest = least(f"{lines}.select(substring(0, 11))")
        latest = f"{lines}.where(startsWith({newest}))"
        if self.fact.numeric:
            first, same = (
                f"{least(latest)}.select({MEANS}.toDecimal())",
                plain_number(self.code_map.same_within_percent / 100),
            )
            value = f"{MEANS}.toDecimal()"
            apart = f"({value} - ({first})).abs() > iif({value}.abs() > ({first}).abs(), {value}.abs(), ({first}).abs()) * {same}"
            return f"iif({latest}.where({apart}).exists(), {{}}, {first})"
        values = f"{latest}.select({MEANS})"
        one = f"{values}.distinct().where(({values}.distinct().count() = 1))"
        safer = self.code_map.safer.get(self.fact.name)
        if safer is not None:
            one = f"iif('{_said(safer)}' in ({values}), '{_said(safer)}', {one})"
        meaning = "$this = 'Y'" if self.fact.type == "boolean" else "$this.replace(';', '')"
        return f"({one}).select({meaning})"


def _began(ruleset: Ruleset, code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """``injury_began``: how many seconds ago the newest injury was first recorded; ``hours_noted``: when its hours were."""
    episode = code_map.episode
    dated = f"where(substring(1, 10) != '{NO_TIME}').select({unpadded('substring(1, 10)')})"
    said = []
    for fact in episode.injuries:
        yes = f".where({MEANS} = 'Y')" if ruleset.vocabulary[fact].type == "boolean" else ""
        records = "records" if ruleset.vocabulary[fact].lasting is None else "older"
        said.append(f"%{records}_{fact}{yes}.{dated}")
    yield "injuries", _combined(iter(said))
    gap = round(episode.gap_hours * 3600)
    before = f"%injuries.where($this > $total and $this <= $total + {gap})"
    yield "injury_began", f"%injuries.aggregate(iif({before}.exists(), {before}.first(), $total), {least('%injuries')})"
    first = "%injuries.aggregate(iif($total.empty() or $this > $total, $this, $total))"
    yield "first_injury", f"iif(%injuries.exists(), {first}, -1)"
    if episode.hours is not None:
        yield "hours_noted", least(f"%records_{episode.hours}.{dated}")


def _injured(ruleset: Ruleset, code_map: CodeMap) -> Iterator[tuple[str, str]]:
    """``injured``: how many seconds ago the newest injury was, by the first record of it or by hours that were noted since."""
    episode = code_map.episode
    if episode.hours is None:
        yield from _began(ruleset, code_map)
        yield "hours_count", "false"
        yield "injured", "%injury_began"
        return
    value = f"%{recorded(ruleset.vocabulary[episode.hours])}"
    since = "(%injury_began.empty() or %hours_noted.empty() or %hours_noted <= %injury_began)"
    yield "hours_count", f"{value}.exists() and {since}"
    yield "injured", f"iif(%hours_count, {value} * 3600.0 + 3600.0, %injury_began)"


def _combined(lines: Iterator[str]) -> str:
    first, *others = (f"({line})" for line in lines)
    return "".join([first, *(f".combine({line})" for line in others)])


def _as_fact(value: FactValue) -> str:
    """A value as a literal of the fact."""
    return str(value).lower() if isinstance(value, bool) else f"'{code(str(value))}'"


def _said(value: FactValue) -> str:
    """A value as a record has it."""
    if isinstance(value, bool):
        return "Y" if value else "N"
    return _written(value)


def _written(value: FactValue) -> str:
    """A coded value as a record has it."""
    return f"{code(str(value))};"
