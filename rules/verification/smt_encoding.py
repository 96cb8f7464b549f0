"""The meaning of a ruleset as formulas for the z3 solver, over every plausible patient at once, unknown facts included.

Mirrors ``interpreter.py`` (layers, recorded above concluded, priorities, implausible conclusions not drawn), ``hit_policy.py``
(the hit policy) and ``outlook.py`` (what may still change); the tests hold it against each of them.
Numbers are exact rationals and arithmetic is taken exactly, products and quotients of facts included; the plain evaluator
computes with floating point, so a counterexample is always replayed there.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import z3

from rules.evaluation.outlook import conjuncts
from rules.model import expressions
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, NoneOf, Unknown, UnlessKnownNot
from rules.model.facts import FactDefinition, FactValue, Vocabulary
from rules.model.ruleset import Axis, Conclusion, Rule, Ruleset, Strength, Weight, by_priority

Formula = Any
"""A z3 Boolean (the library ships no types)."""
Term = Any
"""A z3 number or Boolean."""

TRUE, FALSE = z3.BoolVal(True), z3.BoolVal(False)
# z3 keeps each term once, so that a formula is one of the two constants exactly where it stands at the same address.
_TRUE_AT, _FALSE_AT = TRUE.ast.value, FALSE.ast.value
_CONTEXT = z3.main_ctx()


def any_of(formulas: Iterable[Formula]) -> Formula:
    """True where one of ``formulas`` is; false where there is none."""
    found = [formula for formula in formulas if formula.ast.value != _FALSE_AT]
    return FALSE if not found else found[0] if len(found) == 1 else _joined(z3.Z3_mk_or, found)


def all_of(formulas: Iterable[Formula]) -> Formula:
    """True where all of ``formulas`` are; true where there is none."""
    found = [formula for formula in formulas if formula.ast.value != _TRUE_AT]
    return TRUE if not found else found[0] if len(found) == 1 else _joined(z3.Z3_mk_and, found)


def _joined(make: Callable[..., Any], formulas: list[Formula]) -> Formula:
    """``z3.And`` and ``z3.Or`` without their search for a common sort: here every formula is a Boolean already."""
    terms = (z3.Ast * len(formulas))(*(formula.ast for formula in formulas))
    return z3.BoolRef(make(_CONTEXT.ref(), len(formulas), terms), _CONTEXT)


def negated(formula: Formula) -> Formula:
    """The opposite of ``formula``."""
    if formula.ast.value == _TRUE_AT:
        return FALSE
    if formula.ast.value == _FALSE_AT:
        return TRUE
    return z3.BoolRef(z3.Z3_mk_not(_CONTEXT.ref(), formula.ast), _CONTEXT)


def exact(value: float) -> Fraction:
    """``value`` as the decimal number that was written, not as its binary neighbour."""
    return Fraction(str(value))


def _real(value: float) -> Term:
    return z3.RealVal(str(exact(value)))


# --- patients --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Patient:
    """Any plausible patient: for each fact that can be given a flag (is it recorded) and a value, and what is plausible."""

    known: Mapping[str, Formula]
    value: Mapping[str, Term]
    plausible: Formula

    def with_fact(self, name: str, known: Formula, value: Term, plausible: Formula = TRUE) -> Patient:
        """The same patient but for the fact ``name``: the formula ``known`` says that it is recorded, the term ``value`` how it is.

        What is plausible of the patient is joined by ``plausible``.
        """
        return Patient({**self.known, name: known}, {**self.value, name: value}, all_of([self.plausible, plausible]))


def any_patient(vocabulary: Vocabulary, name: str) -> Patient:
    """A patient of whom nothing is said but the facts of ``vocabulary``; ``name`` keeps the variables of two patients apart."""
    given = {fact.name: fact for fact in vocabulary.values() if fact.given != "concluded"}
    value = {key: any_value(fact, name) for key, fact in given.items()}
    return Patient(
        known={key: z3.Bool(f"{name}.known.{key}") for key in given},
        value=value,
        plausible=all_of(plausible(fact, value[key]) for key, fact in given.items()),
    )


def any_value(fact: FactDefinition, name: str) -> Term:
    """A term for the value of ``fact``: a Boolean, a real, a whole number of steps, or the position of a code.

    The patient's ``name`` stands in the name of the variable. Numbers are in the unit of the fact.
    """
    if fact.step is not None:
        return z3.ToReal(z3.Int(f"{name}.{fact.name}")) * _real(fact.step)
    make = {"boolean": z3.Bool, "number": z3.Real, "integer": z3.Int, "code": z3.Int}[fact.type]
    return make(f"{name}.{fact.name}")


def plausible(fact: FactDefinition, value: Term) -> Formula:
    """That ``value`` is one which ``fact`` can have."""
    if fact.type == "code":
        return z3.And(value >= 0, value < len(fact.values))
    if fact.type == "boolean" or fact.range is None:
        return TRUE
    low, high = fact.range
    if fact.type == "integer":
        return z3.And(value >= math.ceil(low), value <= math.floor(high))
    return z3.And(value >= _real(low), value <= _real(high))


def facts_of(vocabulary: Vocabulary, patient: Patient, model: Any) -> dict[str, FactValue]:
    """The recorded facts of ``patient`` in a solver's ``model``, as plain values by fact of ``vocabulary``."""
    return {
        name: _plain(vocabulary[name], model.eval(patient.value[name], model_completion=True))
        for name, known in patient.known.items()
        if z3.is_true(model.eval(known, model_completion=True))
    }


def _plain(fact: FactDefinition, value: Term) -> FactValue:
    if fact.type == "boolean":
        return bool(z3.is_true(value))
    if fact.type == "code":
        return fact.values[int(value.as_long())]
    if fact.type == "integer":
        return int(value.as_long())
    if z3.is_algebraic_value(value):
        value = value.approx(20)
    number = float(Fraction(value.numerator_as_long(), value.denominator_as_long()))
    low, high = fact.range or (-math.inf, math.inf)
    return min(max(number, low), high)


# --- evaluation ------------------------------------------------------------------------------------------------------


class Evaluation:
    """What fires for ``patient`` under ``ruleset``, and what is known at the end, as formulas.

    ``fires`` by rule id; ``known`` and ``value`` by fact; ``draws`` and ``drawn`` give, for each rule and fact that it
    concludes, whether the conclusion could be drawn (fired, its inputs known, plausible) and its value.
    """

    def __init__(self, ruleset: Ruleset, patient: Patient) -> None:
        """Work through the layers of ``ruleset``."""
        self.ruleset = ruleset
        self.patient = patient
        self.known: dict[str, Formula] = {name: patient.known.get(name, FALSE) for name in ruleset.vocabulary}
        self.value: dict[str, Term] = dict(patient.value)
        self.fires: dict[str, Formula] = {}
        self.draws: dict[tuple[str, str], Formula] = {}
        self.drawn: dict[tuple[str, str], Term] = {}
        self.open_before: dict[tuple[str, str], Formula] = {}
        for stratum in ruleset.strata:
            for rule in stratum:
                self.fires[rule.id] = self.truth(rule.when)[0]
            for rule in by_priority(stratum):
                for conclusion in rule.then.conclusions:
                    self._conclude(rule, conclusion)

    def _conclude(self, rule: Rule, conclusion: Conclusion) -> None:
        fact = self.ruleset.vocabulary[conclusion.fact]
        can, value = self._conclusion(fact, conclusion)
        draws = all_of([self.fires[rule.id], can])
        before = self.known[fact.name]
        self.draws[rule.id, fact.name] = draws
        self.drawn[rule.id, fact.name] = value
        self.open_before[rule.id, fact.name] = negated(before)
        self.known[fact.name] = any_of([before, draws])
        earlier = self.value.get(fact.name)
        self.value[fact.name] = value if earlier is None else z3.If(before, earlier, value)

    def _conclusion(self, fact: FactDefinition, conclusion: Conclusion) -> tuple[Formula, Term]:
        """Whether the conclusion has a plausible value, and the value."""
        if conclusion.expression is None:
            assert conclusion.value is not None
            can_be = TRUE if fact.problem(conclusion.value) is None else FALSE
            return can_be, constant(fact, conclusion.value)
        can, number = self._number(conclusion.expression)
        if fact.type == "integer":
            return all_of([can, z3.IsInt(number), plausible(fact, z3.ToInt(number))]), z3.ToInt(number)
        return all_of([can, plausible(fact, number)]), number

    def _number(self, expression: expressions.Expression) -> tuple[Formula, Term]:
        match expression:
            case expressions.Number(value):
                return TRUE, _real(value)
            case expressions.Name(name):
                term = self.value.get(name)
                if term is None:
                    return FALSE, _real(0)
                return self.known[name], z3.ToReal(term) if z3.is_int(term) else term
            case expressions.BinaryOperation(operator, left, right):
                (can_a, a), (can_b, b) = self._number(left), self._number(right)
                if operator == "/":
                    return all_of([can_a, can_b, b != 0]), a / b
                joined = {"+": lambda: a + b, "-": lambda: a - b, "*": lambda: a * b}[operator]()
                return all_of([can_a, can_b]), joined

    def truth(self, condition: Condition) -> tuple[Formula, Formula]:
        """When ``condition`` is true, and when it is false; else it is unknown."""
        match condition:
            case Compare(fact):
                known = self.known[fact]
                if z3.is_false(known):
                    return FALSE, FALSE
                holds = compared(self.ruleset.vocabulary[fact], condition, self.value[fact])
                return all_of([known, holds]), all_of([known, negated(holds)])
            case Known(fact):
                return self.known[fact], negated(self.known[fact])
            case Unknown(fact):
                return negated(self.known[fact]), self.known[fact]
            case UnlessKnownNot(comparison):
                _, safe = self.truth(comparison)
                return negated(safe), safe
            case AllOf(children):
                truths = [self.truth(child) for child in children]
                return all_of(true for true, _ in truths), any_of(false for _, false in truths)
            case AnyOf(children):
                truths = [self.truth(child) for child in children]
                return any_of(true for true, _ in truths), all_of(false for _, false in truths)
            case NoneOf(children):
                true, false = self.truth(AnyOf(children))
                return false, true


def constant(fact: FactDefinition, value: FactValue) -> Term:
    """``value`` as a term of the sort that ``fact`` has."""
    if fact.type == "code":
        return z3.IntVal(fact.values.index(str(value)) if value in fact.values else -1)
    if fact.type == "boolean":
        return z3.BoolVal(bool(value))
    return z3.IntVal(int(value)) if fact.type == "integer" else _real(float(value))


def compared(fact: FactDefinition, comparison: Compare, value: Term) -> Formula:
    """The formula that ``value``, in the unit of ``fact``, passes ``comparison``."""
    options = comparison.value if isinstance(comparison.value, tuple) else (comparison.value,)
    match comparison.comparator:
        case "is" | "one_of":
            return any_of(_equal(fact, value, option) for option in options)
        case "is_not" | "not_one_of":
            return negated(any_of(_equal(fact, value, option) for option in options))
    (threshold,) = options
    assert not isinstance(threshold, str)
    if fact.type == "integer":
        return _ordered_whole(comparison.comparator, value, exact(threshold))
    bound = _real(threshold)
    return {
        "at_least": lambda: value >= bound,
        "above": lambda: value > bound,
        "at_most": lambda: value <= bound,
        "below": lambda: value < bound,
    }[comparison.comparator]()


def _equal(fact: FactDefinition, value: Term, option: FactValue) -> Formula:
    if fact.type == "boolean":
        return value if option is True else negated(value)
    if fact.type == "integer" and not float(option).is_integer():
        return FALSE
    return value == constant(fact, option)


def _ordered_whole(comparator: str, value: Term, threshold: Fraction) -> Formula:
    if comparator == "at_least":
        return value >= math.ceil(threshold)
    if comparator == "above":
        return value >= math.floor(threshold) + 1
    if comparator == "at_most":
        return value <= math.floor(threshold)
    return value <= math.ceil(threshold) - 1


# --- sizing ----------------------------------------------------------------------------------------------------------


class AxisFormulas:
    """The hit policy on one axis, given when each rule counts."""

    def __init__(self, ruleset: Ruleset, axis: Axis, counts: Mapping[str, Formula]) -> None:
        """``counts`` says of each rule id when its offers stand (a rule left out never does)."""
        offers: dict[Strength, dict[int, list[Formula]]] = {}
        for rule in ruleset.rules.values():
            for offer in rule.then.sizes:
                if offer.axis == axis.name and rule.id in counts:
                    strength, place = axis.weight(rule, offer)
                    offers.setdefault(strength, {}).setdefault(place, []).append(counts[rule.id])
        self.axis = axis
        self.decides: dict[Strength, Formula] = {}
        places = range(2 * len(axis.values))
        present: dict[int, list[Formula]] = {place: [] for place in places}
        stronger: Formula = FALSE
        for strength in sorted(offers):
            here = any_of(formula for formulas in offers[strength].values() for formula in formulas)
            self.decides[strength] = all_of([negated(stronger), here])
            for place, formulas in offers[strength].items():
                present[place].append(all_of([negated(stronger), any_of(formulas)]))
            stronger = any_of([stronger, here])
        self.offered: Formula = stronger
        self.first_at: dict[int, Formula] = {}
        earlier: list[Formula] = []
        for place in places:
            stands = any_of(present[place])
            self.first_at[place] = all_of([stands, negated(any_of(earlier))])
            earlier.append(stands)
        self.candidate = self._by_value({place: any_of(formulas) for place, formulas in present.items()})
        self.first = self._by_value(self.first_at)

    def _by_value(self, at: Mapping[int, Formula]) -> dict[str, Formula]:
        """What is said of either place of a value, by value."""
        return {
            value: any_of(at[place] for place in at if self.axis.value_at(place) == value) for value in self.axis.values
        }

    def same_first(self, other: AxisFormulas) -> Formula:
        """That the first value is the same here and in ``other``, or missing in both."""
        return all_of(self.first[value] == other.first[value] for value in self.axis.values)


class SizingFormulas:
    """The sizing of one evaluation: axes and reasons to withhold."""

    def __init__(self, evaluation: Evaluation) -> None:
        """Apply the hit policy to the rules that fire in ``evaluation``."""
        ruleset = evaluation.ruleset
        self.axes = {name: AxisFormulas(ruleset, axis, evaluation.fires) for name, axis in ruleset.axes.items()}
        self.held = any_of(evaluation.fires[rule.id] for rule in ruleset.rules.values() if rule.then.holds)
        self.withheld = any_of([self.held, *(negated(axis.offered) for axis in self.axes.values())])

    def same_outcome(self, other: SizingFormulas) -> Formula:
        """That this and ``other`` both withhold a size, or both give the same."""
        same = all_of(axis.same_first(other.axes[name]) for name, axis in self.axes.items())
        return any_of(
            [all_of([self.withheld, other.withheld]), all_of([negated(self.withheld), negated(other.withheld), same])]
        )


# --- what may still change -------------------------------------------------------------------------------------------


class OutlookFormulas:
    """``possible.Possibilities`` and the ``settled`` of ``measure_next.Sizer``, as formulas."""

    def __init__(self, evaluation: Evaluation, sizing: SizingFormulas) -> None:
        """Follow what may change through the layers. ``evaluation`` is of the sizing part of a ruleset."""
        self._evaluation = evaluation
        ruleset = evaluation.ruleset
        recorded = {name: evaluation.patient.known.get(name, FALSE) for name in ruleset.vocabulary}
        self.open: dict[str, Formula] = {
            name: all_of([negated(recorded[name]), self._may_be_given(fact)])
            for name, fact in ruleset.vocabulary.items()
        }
        self.must: dict[str, Formula] = {}
        self.may: dict[str, Formula] = {}
        for stratum in ruleset.strata:
            for rule in stratum:
                self.may[rule.id], fails = self._possible(rule.positive)
                self.must[rule.id] = negated(fails)
            for rule in stratum:
                changing = any_of([negated(self.must[rule.id]), *(self.open[name] for name in rule.reads)])
                for fact in rule.writes - ruleset.unforeseen:
                    opened = all_of([self.may[rule.id], negated(recorded[fact]), changing])
                    self.open[fact] = any_of([self.open[fact], opened])
        self.settled_axes = {name: self._axis_settled(axis, sizing.axes[name]) for name, axis in ruleset.axes.items()}
        holding = [rule.id for rule in ruleset.rules.values() if rule.then.holds]
        held = any_of(all_of([self.must[rule], evaluation.fires[rule]]) for rule in holding)
        may_hold = any_of(self._undecided(rule) for rule in holding)
        self.settled = any_of([held, all_of([negated(may_hold), *self.settled_axes.values()])])

    def _may_be_given(self, fact: FactDefinition) -> Formula:
        """Whether an observer looks for ``fact``, at once or once rules have concluded it."""
        if fact.open:
            return TRUE
        return self._evaluation.truth(Known(fact.name))[0] if fact.refutable else FALSE

    def _undecided(self, rule: str) -> Formula:
        return all_of([self.may[rule], negated(self.must[rule])])

    def _possible(self, condition: Condition) -> tuple[Formula, Formula]:
        """When ``condition`` can become true, and when it can fail to."""
        match condition:
            case Compare(fact) | Known(fact) | Unknown(fact) | UnlessKnownNot(Compare(fact)):
                true, _ = self._evaluation.truth(condition)
                return any_of([self.open[fact], true]), any_of([self.open[fact], negated(true)])
            case AllOf(children):
                found = [self._possible(child) for child in children]
                return all_of(true for true, _ in found), any_of(fails for _, fails in found)
            case AnyOf(children):
                found = [self._possible(child) for child in children]
                return any_of(true for true, _ in found), all_of(fails for _, fails in found)
        raise TypeError(f"negation must be pushed down first: {condition!r}")

    def _axis_settled(self, axis: Axis, now: AxisFormulas) -> Formula:
        """As ``Sizer._axis_settled``: what must fire already decides, and nothing that may fire can overrule it."""
        certain = AxisFormulas(self._evaluation.ruleset, axis, self.must)
        offers = [
            (rule.id, offer.value, axis.weight(rule, offer))
            for rule in self._evaluation.ruleset.rules.values()
            for offer in rule.then.sizes
            if offer.axis == axis.name
        ]
        overruled: list[Formula] = []
        for rule, value, weight in offers:
            alone = {
                first: negated(self._outdone(rule, weight, first, offers)) for first in axis.values if first != value
            }
            beaten = [
                all_of([certain.decides[floor], stands_first, alone[axis.value_at(place)]])
                for floor in certain.decides
                for place, stands_first in certain.first_at.items()
                if axis.value_at(place) != value and weight < (floor, place)
            ]
            overruled.append(all_of([self._undecided(rule), any_of(beaten)]))
        agree = any_of(all_of([now.first[value], certain.first[value]]) for value in axis.values)
        return all_of([agree, negated(any_of(overruled))])

    def _outdone(self, rule: str, weight: Weight, first: str, offers: Iterable[tuple[str, str, Weight]]) -> Formula:
        """As ``Sizer._outdone``: ``first`` is offered wherever ``rule`` fires, with no less strength."""
        return any_of(
            all_of([self._undecided(name), self._accompanies(name, rule)])
            for name, value, other in offers
            if value == first and other <= weight
        )

    def _accompanies(self, one: str, other: str) -> Formula:
        """As ``Possibilities.accompanies``: the rule ``one`` fires wherever ``other`` does."""
        rules = self._evaluation.ruleset.rules
        shared = set(conjuncts(rules[other].positive))
        parts = (part for part in conjuncts(rules[one].positive) if part not in shared)
        return all_of(negated(self._possible(part)[1]) for part in parts)
