"""The form of facts: which fields a page shows, drawn from the vocabulary, and the facts in what was posted.

Only the order of the first fields and the headings are set here; label, how to measure, unit, range and codes come with each
fact.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from math import sqrt
from typing import Any, NamedTuple

from rules.errors import InvalidFact
from rules.model.facts import FactDefinition, FactValue, Vocabulary
from rules.model.quantity_words import unit_words
from rules.model.ruleset import Ruleset
from rules.model.units import factor

QUICK = ("neck_height_mm", "neck_circumference_mm", "age_years", "head_position", "collar_in_place", "setting")
"""The fields in sight at first, in the order of use."""

DRAWINGS = {
    "neck_height_mm": "chin_to_shoulder",
    "neck_height_fingers": "finger_breadths",
    "neck_circumference_mm": "tape_round_neck",
    "head_position": "head_position",
}
"""The drawing that shows how a fact is obtained."""

_HEADINGS = {
    "dangers": "Dangers",
    "sizing": "Build, and what else decides the size",
    "need": "The injury, and whether a collar is needed",
    "application": "Putting the collar on",
    "skin": "Skin and wear",
    "review": "Scans and review",
    "handover": "Leaving",
    "fit_check": "Found while a collar is on",
}
"""Headings of the other fields, by the first of these topics whose rules read the fact."""

_MOST_DIGITS = 400
"""Before or behind the point; whoever types more means no measurement, and exact arithmetic would take long."""

UNIT = ".unit"
"""Ending of the name under which a field's unit is posted."""


class UnitChoice(NamedTuple):
    """A unit to type in: its name, what one of it is in the unit of ``fact``."""

    name: str
    factor: Fraction
    fact: str


_TYPED_UNITS: Mapping[str, tuple[tuple[str, str], ...]] = {
    "mm": (("mm", "mm"), ("cm", "cm"), ("in", "[in_i]")),
    "cm": (("cm", "cm"), ("in", "[in_i]")),
    "kg": (("kg", "kg"), ("lb", "[lb_av]")),
    "a": (("years", "a"), ("months", "mo")),
}
"""By a fact's own unit, the units that may be typed: name on the page and UCUM code, its own first."""


@dataclass(frozen=True)
class FormField:
    """One field as it is shown: what was typed into it, the unit chosen, and what is wrong with it."""

    fact: FactDefinition
    units: tuple[UnitChoice, ...]
    value: str
    unit: str
    problem: str | None

    @property
    def how(self) -> str:
        """How to obtain the fact."""
        return self.fact.ask or self.fact.meaning

    @property
    def drawing(self) -> str | None:
        """The drawing that shows how."""
        return DRAWINGS.get(self.fact.name)

    @property
    def range_words(self) -> str | None:
        """The plausible range in the fact's own unit."""
        if self.fact.range is None:
            return None
        return f"{self.fact.range[0]:g} to {self.fact.range[1]:g} {self.units[0].name}"

    @property
    def choices(self) -> tuple[tuple[str, str], ...]:
        """What may be chosen of a yes/no or coded fact: posted value and words."""
        if self.fact.type == "boolean":
            return (("true", "Yes"), ("false", "No"))
        return tuple((value, value.replace("_", " ")) for value in self.fact.values)


@dataclass(frozen=True)
class FieldGroup:
    """Fields under one heading."""

    name: str
    heading: str
    fields: tuple[FormField, ...]

    @property
    def recorded(self) -> list[FormField]:
        """The fields that hold something."""
        return [field for field in self.fields if field.value]

    @property
    def others(self) -> list[FormField]:
        """The fields that hold nothing."""
        return [field for field in self.fields if not field.value]

    @property
    def wrong(self) -> bool:
        """Whether something is wrong with a field."""
        return any(field.problem for field in self.fields)


@dataclass(frozen=True)
class FactForm:
    """The whole form, and the facts in it. ``facts`` is what can be used; where there are ``problems`` nothing is decided."""

    quick: tuple[FormField, ...]
    groups: tuple[FieldGroup, ...]
    facts: Mapping[str, FactValue]
    problems: Mapping[str, str]

    @property
    def typed(self) -> dict[str, str]:
        """What stands in the fields that are not empty, in the unit of each; a value in another unit counts as typed anew."""
        return {
            field.fact.name: field.value.strip() if not field.units or field.unit == field.units[0].name else field.unit
            for field in self.fields
            if field.value.strip()
        }

    @property
    def names(self) -> set[str]:
        """The facts that have a field."""
        return {field.fact.name for field in self.fields}

    @property
    def fields(self) -> Iterator[FormField]:
        """Every field."""
        yield from self.quick
        for group in self.groups:
            yield from group.fields


def fact_form(ruleset: Ruleset, posted: Mapping[str, str]) -> FactForm:
    """The form of the facts of ``ruleset`` with what was ``posted``, by the names of its fields (empty: a new form)."""
    vocabulary = ruleset.vocabulary
    facts, problems = _facts(vocabulary, posted)

    def field(name: str) -> FormField:
        units = _units(vocabulary, vocabulary[name])
        chosen = posted.get(name + UNIT, "")
        unit = chosen if any(chosen == one.name for one in units) else (units[0].name if units else "")
        return FormField(vocabulary[name], units, posted.get(name, ""), unit, problems.get(name))

    quick = [name for name in QUICK if name in vocabulary]
    groups = tuple(
        FieldGroup(topic, heading, tuple(map(field, names)))
        for topic, heading, names in _grouped(ruleset, quick)
        if names
    )
    return FactForm(tuple(map(field, quick)), groups, facts, problems)


def as_posted(facts: Mapping[str, Any]) -> dict[str, str]:
    """``facts`` as a form would post them; a whole number stands without decimals, as people write it."""
    return {name: _typed(value) for name, value in facts.items()}


def _typed(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _grouped(ruleset: Ruleset, shown: Sequence[str]) -> Iterator[tuple[str, str, list[str]]]:
    """Topic, heading and names of the facts that are not ``shown`` already."""
    readers: dict[str, set[str]] = {}
    for rule in ruleset.rules.values():
        for name in rule.reads:
            readers.setdefault(name, set()).add(rule.topic)
    found: dict[str, list[str]] = {topic: [] for topic in _HEADINGS}
    for name, fact in ruleset.vocabulary.items():
        if fact.given != "concluded" and name not in shown:
            found[_topic(fact, readers.get(name, set()))].append(name)
    for topic, names in found.items():
        yield topic, _HEADINGS[topic], names


def _topic(fact: FactDefinition, readers: set[str]) -> str:
    if fact.finding:
        return "fit_check"
    if fact.danger is not None:
        return "dangers"
    return next((topic for topic in _HEADINGS if topic != "dangers" and topic in readers), "need")


def _units(vocabulary: Vocabulary, fact: FactDefinition) -> tuple[UnitChoice, ...]:
    """The units of ``fact``, its own first; facts of one code are one thing in several units (height, finger-breadths)."""
    if not fact.numeric:
        return ()
    own = fact.unit or ""
    typed = _TYPED_UNITS.get(own)
    if typed is None:
        return (UnitChoice(unit_words(own), Fraction(1), fact.name),)
    units = [UnitChoice(name, factor(code, own), fact.name) for name, code in typed]
    units += [
        UnitChoice(unit_words(other.unit), Fraction(1), other.name)
        for other in vocabulary.values()
        if other.code == fact.code and other.name != fact.name and other.given != "concluded"
    ]
    return tuple(units)


def _facts(vocabulary: Vocabulary, posted: Mapping[str, str]) -> tuple[dict[str, FactValue], dict[str, str]]:
    facts: dict[str, FactValue] = {}
    problems: dict[str, str] = {}
    for name, text in posted.items():
        if name.endswith(UNIT) or not text.strip():
            continue
        fact = vocabulary.get(name)
        if fact is None or fact.given == "concluded":
            problems[name[:100]] = "There is no such field on this page."
            continue
        unit = _unit(vocabulary, fact, posted.get(name + UNIT, ""))
        target = vocabulary[unit.fact] if unit else fact
        try:
            value = _value(target, text.strip(), unit)
        except ValueError as error:
            problems[name] = str(error)
            continue
        problem = vocabulary.problem(target.name, value)
        if problem is not None:
            problems[name] = _words(problem, text.strip(), target, unit)
        elif target.name in facts:
            problems[name] = f"{target.label} is given twice; leave one field empty."
        else:
            facts[target.name] = value
    return facts, problems


def _unit(vocabulary: Vocabulary, fact: FactDefinition, chosen: str) -> UnitChoice | None:
    units: Sequence[UnitChoice] = _units(vocabulary, fact)
    return next((unit for unit in units if unit.name == chosen), units[0] if units else None)


def _value(fact: FactDefinition, text: str, unit: UnitChoice | None) -> FactValue:
    """The value in the fact's unit. Raises ValueError with words for the field."""
    if fact.type == "boolean":
        if text not in ("true", "false"):
            raise ValueError(f"“{text[:40]}” is neither yes nor no.")
        return text == "true"
    if unit is None:
        return text
    try:
        typed = Decimal(text.replace(",", ".", 1))
    except InvalidOperation:
        typed = Decimal("NaN")
    if not typed.is_finite() or abs(typed.adjusted()) > _MOST_DIGITS:
        raise ValueError(f"“{text[:40]}” is not a number. {_accepted(fact, unit)}")
    number = Fraction(typed) * unit.factor
    return int(number) if fact.type == "integer" and number.denominator == 1 else float(number)


def _words(problem: InvalidFact, text: str, fact: FactDefinition, unit: UnitChoice | None) -> str:
    if unit is None:
        return f"“{text[:40]}” is {problem.message}. Accepted: {problem.accepted}."
    said = "outside what is plausible" if problem.message == "implausible" else problem.message
    return f"{text[:40]} {unit.name} is {said}. {_accepted(fact, unit)}"


def _accepted(fact: FactDefinition, unit: UnitChoice) -> str:
    if fact.range is None:
        return "Accepted: a number."
    low, high = (float(Fraction(end) / unit.factor) for end in fact.range)
    example = sqrt(low * high) if low > 0 else (low + high) / 2
    return f"Accepted: {low:.4g} to {high:.4g} {unit.name}, for example {example:.0f}."
