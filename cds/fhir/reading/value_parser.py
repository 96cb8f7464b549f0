"""One FHIR ``value[x]`` to the value of one fact, in the fact's own unit; or the exact reason why it cannot be used."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Any, NamedTuple

from cds.fhir.json_access import choice_keys, items, mapping, shown, text
from cds.fhir.reading.code_map import CodeMap, CodingKey, Meaning, coding_of, codings_of, texts_of
from cds.fhir.reading.rejection import RejectionReason
from rules.model.facts import FactDefinition, FactValue
from rules.model.quantity_words import unit_words
from rules.model.units import UnitError, is_annotation, measured

UCUM = "http://unitsofmeasure.org"

_ONE = "1"
"""The UCUM code of unity."""
_DIGITS = re.compile(r"\s*[0-9]{1,2}\s*", re.ASCII)
_LARGEST = 1e12
"""No quantity of a patient comes near; anything above is refused before arithmetic touches it."""


class RefusedValue(Exception):
    """A value that cannot be used: the value as written, the reason, and whether its kind and unit fitted."""

    def __init__(self, written: str, why: RejectionReason, *, fits: bool = False) -> None:
        super().__init__(why.text)
        self.written = written
        self.why = why
        self.fits = fits


class Value(NamedTuple):
    """A usable value of a fact, and how it was written in the record, its unit in words."""

    fact: str
    value: FactValue
    written: str


def stated_value(holder: Mapping[str, Any], meanings: tuple[Meaning, ...], code_map: CodeMap) -> Value:
    """What ``holder`` (an Observation, a component, an answer) states by its value[x], for the one fact that can take it.

    ``meanings`` are the facts that its codes may mean, at least one; ``code_map`` has units and codes of values. A
    number comes in the fact's own unit. Raises RefusedValue where there is no value, no fact can take it, or more than
    one could.
    """
    key = _value_key(holder)
    taken: dict[str, Value] = {}
    refused: list[RefusedValue] = []
    for meaning in meanings:
        definition = code_map.vocabulary[meaning.fact]
        try:
            value = _Reader(definition, meaning, code_map).read(key, holder[key])
        except RefusedValue as refusal:
            refused.append(refusal)
        else:
            taken[meaning.fact] = value
    if len(taken) > 1:
        raise RefusedValue(
            shown(holder[key]), RejectionReason("code", f"the codes name several facts: {', '.join(sorted(taken))}")
        )
    if not taken:
        raise next((refusal for refusal in refused if refusal.fits), refused[0])
    return next(iter(taken.values()))


def implied_values(meanings: tuple[Meaning, ...], code_map: CodeMap, written: str) -> list[Value]:
    """What the mere presence of a code says by its ``meanings``: the value in ``code_map``, or true for a yes/no fact.

    Nothing for another fact. ``written`` is what stands on record, for messages.
    """
    found = []
    for meaning in meanings:
        if meaning.value is not None:
            found.append(Value(meaning.fact, meaning.value, written))
        elif code_map.vocabulary[meaning.fact].type == "boolean":
            found.append(Value(meaning.fact, True, written))
    return found


def _value_key(holder: Mapping[str, Any]) -> str:
    keys = choice_keys(holder, "value")
    if len(keys) > 1:
        raise RefusedValue(
            ", ".join(map(shown, sorted(keys))), RejectionReason("malformed", "malformed: more than one value[x]")
        )
    if keys:
        return keys[0]
    absent = mapping(holder, "dataAbsentReason")
    codes = [text(coding, "code") for coding in items(absent, "coding")]
    cause = text(absent, "text") or next((code for code in codes if code), None)
    raise RefusedValue(
        "no value", RejectionReason("no value", f"no value: {shown(cause)}" if cause else "no value is recorded")
    )


def unit_of_quantity(quantity: Mapping[str, Any], code_map: CodeMap) -> str | None:
    """The UCUM code of the unit that ``quantity`` is in; None where it gives none that can be told without a guess.

    ``code_map`` tells the UCUM code of a unit in words.
    """
    code, word = text(quantity, "code"), text(quantity, "unit")
    if code is not None and text(quantity, "system") == UCUM:
        return code
    return None if word is None else code_map.units.get(word)


def number_of_score(holder: Mapping[str, Any], definition: FactDefinition, code_map: CodeMap) -> object:
    """The number under the value[x] of ``holder``, as written, where it counts and no unit has to be guessed; else None.

    A score has no unit but that of unity: it may be left out, and the number may be written as text (``"8"``).
    ``code_map`` has the other units in which ``definition`` is counted.
    """
    quantity = holder.get("valueQuantity")
    if isinstance(quantity, dict) and "comparator" not in quantity:
        counts = units_of_counts(definition, code_map)
        unit = _ONE if says_no_unit(quantity) else unit_of_quantity(quantity, code_map)
        return quantity.get("value") if unit in counts else None
    words = holder.get("valueString")
    if isinstance(words, str):
        return _whole_number(words) if _ONE in units_of_counts(definition, code_map) else None
    return holder.get("valueInteger", holder.get("valueDecimal"))


def says_no_unit(quantity: Mapping[str, Any]) -> bool:
    """Whether ``quantity`` has neither a code nor a word for its unit: then it is unity, in UCUM and for whoever counts."""
    return quantity.get("code") is None and quantity.get("unit") is None


def _whole_number(words: str) -> int | None:
    """The number that ``words`` are, of one or two digits and nothing else."""
    return int(words) if _DIGITS.fullmatch(words) else None


def units_of_counts(definition: FactDefinition, code_map: CodeMap) -> tuple[str, ...]:
    """The units that the fact ``definition``, where it only counts, may be written in by ``code_map``, and that convert nothing.

    Empty for every other fact.
    """
    if definition.unit is None:
        return ("1",)
    return (definition.unit, *code_map.counted.get(definition.unit, ())) if is_annotation(definition.unit) else ()


class _Reader:
    """Reads one value[x] for one fact."""

    def __init__(self, definition: FactDefinition, meaning: Meaning, code_map: CodeMap) -> None:
        self.definition = definition
        self.meaning = meaning
        self.code_map = code_map

    def read(self, key: str, raw: object) -> Value:
        if self.meaning.value is not None or self.definition.type == "boolean":
            return self.yes_no(key, raw)
        return self.code(key, raw) if self.definition.type == "code" else self.number(key, raw)

    # --- yes or no ---------------------------------------------------------------------------------------------------

    def yes_no(self, key: str, raw: object) -> Value:
        answer, written = self._answer(key, raw)
        value = self.meaning.value if self.meaning.value is not None else True
        if answer:
            return Value(self.definition.name, value, written)
        if isinstance(value, bool):
            return Value(self.definition.name, not value, written)
        raise RefusedValue(
            written, RejectionReason("code", f"says only that {self.definition.label} is not {value}"), fits=True
        )

    def _answer(self, key: str, raw: object) -> tuple[bool, str]:
        if key == "valueBoolean":
            if isinstance(raw, bool):
                return raw, shown(raw)
            raise RefusedValue(
                shown(raw), RejectionReason("malformed", "malformed: valueBoolean is neither true nor false")
            )
        yes, no = self.code_map.yes, self.code_map.no
        codings, written = self._codings(key, raw, "true or false", lambda coding: coding in yes or coding in no)
        answers = {coding in yes for coding in codings if coding in yes or coding in no}
        if len(answers) != 1:
            problem = "the codes contradict each other" if answers else "neither a known yes nor a known no"
            raise RefusedValue(written, RejectionReason("code", problem))
        return answers.pop(), written

    # --- codes ---------------------------------------------------------------------------------------------------------

    def code(self, key: str, raw: object) -> Value:
        name, known = self.definition.name, self.code_map.values
        codings, written = self._codings(key, raw, self.definition.accepted, lambda coding: (name, coding) in known)
        values = {known[name, coding] for coding in codings if (name, coding) in known}
        if len(values) == 1:
            return Value(name, values.pop(), written)
        problem = "the codes contradict each other" if values else "no code that the code map knows for this fact"
        written = _in_words(raw) or written
        raise RefusedValue(written, RejectionReason("code", f"{problem}; accepted: {self.definition.accepted}"))

    def _codings(
        self, key: str, raw: object, accepted: str, known: Callable[[CodingKey], bool]
    ) -> tuple[Sequence[CodingKey], str]:
        """The codings of a CodeableConcept, a Coding, or a string that is one of the project's own codes.

        Where none of a CodeableConcept is ``known``, its text is taken for such a string.
        """
        if key == "valueCodeableConcept" and isinstance(raw, dict):
            words, codings = text(raw, "text"), codings_of(raw)
            written = " ".join(coding.code for coding in codings) or words or "no code"
            if words and not any(map(known, codings)) and known(self._worded(words)):
                return [self._worded(words)], shown(words)
            if not codings:
                raise RefusedValue(
                    shown(written), RejectionReason("code", f"no code, only words; accepted: {accepted}")
                )
            return codings, shown(written)
        if key == "valueCoding" and (coding := coding_of(raw)) is not None:
            return [coding], shown(coding.code)
        if key == "valueString" and isinstance(raw, str):
            return [self._worded(raw)], shown(raw)
        raise RefusedValue(
            shown(raw), RejectionReason("code", f"{shown(key)} cannot be read here; accepted: {accepted}")
        )

    def _worded(self, words: str) -> CodingKey:
        """One of the project's own codes as a text; a text that is none is no code of anybody."""
        return CodingKey(self.code_map.own_values, words.strip().lower().replace("_", "-"))

    # --- numbers -------------------------------------------------------------------------------------------------------

    def number(self, key: str, raw: object) -> Value:
        if key == "valueQuantity":
            number, unit, written = self._quantity(raw)
            converted = self._convert(number, unit, written)
        elif key in ("valueInteger", "valueDecimal"):
            number, written = _number(raw), shown(raw)
            if self.definition.unit is not None and not self._only_counts():
                raise RefusedValue(written, RejectionReason("unit", f"no unit; accepted: {self.definition.accepted}"))
            converted = float(number)
        elif key == "valueString" and isinstance(raw, str) and _ONE in self._counts and _whole_number(raw) is not None:
            converted, written = float(raw), shown(raw)
        else:
            said = f"{shown(key)} is not a quantity; accepted: {self.definition.accepted}"
            raise RefusedValue(shown(raw), RejectionReason("code", said))
        problem = self.definition.problem(converted)
        if problem is not None:
            said = f"{problem}; accepted: {self.definition.accepted}"
            raise RefusedValue(written, RejectionReason("implausible", said), fits=True)
        return Value(self.definition.name, int(converted) if self.definition.type == "integer" else converted, written)

    def _quantity(self, raw: object) -> tuple[Decimal, str, str]:
        if not isinstance(raw, dict) or "value" not in raw:
            raise RefusedValue(shown(raw), RejectionReason("malformed", "malformed: a quantity without a value"))
        number = _number(raw["value"])
        code, word = text(raw, "code"), text(raw, "unit")
        written = shown(f"{shown(raw['value'])} {unit_words(code, raw['value']) or word or ''}")
        if raw.get("comparator") is not None:
            raise RefusedValue(
                f"{shown(raw['comparator'])} {written}",
                RejectionReason("no value", "only a limit is recorded, not a value", unsettled=True),
            )
        unit = unit_of_quantity(raw, self.code_map)
        if unit is None and says_no_unit(raw) and _ONE in self._counts:
            unit = _ONE
        if unit is not None:
            return number, unit, written
        if code is None and word is None:
            raise RefusedValue(written, RejectionReason("unit", f"no unit; accepted: {self.definition.accepted}"))
        said = f"the unit is not a UCUM code, and a unit is never guessed; {self._asked()}"
        raise RefusedValue(written, RejectionReason("unit", said))

    def _convert(self, number: Decimal, unit: str, written: str) -> float:
        target, accepted = self.definition.unit, self._counts
        if accepted and unit not in accepted:
            words = dict.fromkeys(unit_words(one) or "a bare number" for one in accepted)
            why = RejectionReason("unit", f"wrong unit {shown(unit_words(unit))}; accepted: {', '.join(words)}")
            raise RefusedValue(written, why)
        if accepted or target is None:
            return float(number)
        try:
            return measured(number, unit, target)
        except UnitError as error:
            why = RejectionReason("unit", f"{shown(error.args[0])}; {self._asked()}")
            raise RefusedValue(written, why) from error

    def _asked(self) -> str:
        """What to ask where a unit cannot be read."""
        return f"how much is it? accepted: {self.definition.accepted}"

    @property
    def _counts(self) -> tuple[str, ...]:
        return units_of_counts(self.definition, self.code_map)

    def _only_counts(self) -> bool:
        return self.definition.unit is not None and is_annotation(self.definition.unit)


def _in_words(raw: object) -> str | None:
    """What a CodeableConcept or a Coding is called beside its codes: a person reads ``Acute confusion``, not ``130987000``."""
    words = next(iter(texts_of(raw)), None) or text(raw, "display")
    return None if words is None else shown(words)


def _number(raw: object) -> Decimal:
    """``raw`` as a decimal of the digits that were written. Raises RefusedValue where it is not a usable number."""
    if isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise RefusedValue(shown(raw), RejectionReason("malformed", "not a number"))
    if isinstance(raw, float) and not math.isfinite(raw):
        raise RefusedValue(shown(raw), RejectionReason("implausible", "not a finite number"))
    if abs(raw) > _LARGEST:
        raise RefusedValue(
            shown(raw), RejectionReason("implausible", "implausible: far beyond anything that is measured")
        )
    return Decimal(repr(raw))
