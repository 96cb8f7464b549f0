"""Mutation testing of the rules: change one thing in one rule, and see whether a worked case notices.

A mutant that no case notices is a survivor: either a case is missing, or the change makes no difference to anybody.
Only cases whose outcome the change can touch are decided again, with the plain evaluator.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal, TypeVar
from zlib import crc32

from rules.deciding.decider import Decider
from rules.errors import Place
from rules.evaluation.information_gain import Prospects, Sizer
from rules.evaluation.interpreter import Plain, fire
from rules.loading.source_map import SourceMap
from rules.model import expressions
from rules.model.conditions import (
    NEGATED,
    ORDERED,
    AllOf,
    AnyOf,
    Compare,
    Condition,
    ConditionPath,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
    describe,
    dropped,
    evaluate,
    parts,
    replaced,
)
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Conclusion, Effects, Rule, Ruleset, SizeOffer, TaskCall
from rules.testing.cases import MOMENT, Case, differences
from rules.testing.coverage import alike

T = TypeVar("T")
Kind = Literal[
    "threshold up",
    "threshold down",
    "comparison flipped",
    "unknown taken for safe",
    "condition dropped",
    "option dropped",
    "all and any swapped",
    "negation dropped",
    "size moved",
    "timing changed",
    "conclusion changed",
    "effect dropped",
]

WANTED_SCORE = 0.995
"""Share of the mutants that cases should notice."""

_SHARE = 0.02
"""A threshold moves by this share of itself (by one where the fact is a whole number, by this share of the range from zero)."""


@dataclass(frozen=True)
class Mutant:
    """One rule with one thing changed, what was changed in words, and where that stands."""

    kind: Kind
    what: str
    place: Place
    rule: Rule


@dataclass(frozen=True)
class MutationReport:
    """How many mutants there were of each kind, and those that no case noticed. ``failing`` cases took no part."""

    made: Mapping[Kind, int]
    survivors: tuple[Mutant, ...]
    failing: tuple[str, ...]

    @property
    def total(self) -> int:
        """How many mutants were made."""
        return sum(self.made.values())

    @property
    def score(self) -> float:
        """The share of mutants that a case noticed, 0 to 1; 1 where there are no mutants."""
        return 1 - len(self.survivors) / self.total if self.total else 1.0


def mutate(
    ruleset: Ruleset, cases: Iterable[Case], written: SourceMap, topic: str | None = None, *, one_in: int = 1
) -> MutationReport:
    """Make every mutant of ``ruleset`` (of one ``topic``, where it is given) and let ``cases`` look for it.

    Of so many as the number ``one_in`` only one is made: others with each change of the content, the same for the same
    content. ``written`` tells where each mutant stands in the files.
    """
    bench = _Bench(ruleset, cases)
    made: dict[Kind, int] = {}
    survivors = []
    for mutant in mutants(ruleset, written):
        if topic not in (None, mutant.rule.topic) or _drawn_number(ruleset, mutant) % one_in:
            continue
        made[mutant.kind] = made.get(mutant.kind, 0) + 1
        if not bench.notices(mutant.rule):
            survivors.append(mutant)
    return MutationReport(made, tuple(survivors), bench.failing)


def _drawn_number(ruleset: Ruleset, mutant: Mutant) -> int:
    return crc32(f"{ruleset.hash} {mutant.rule.id} {mutant.kind} {mutant.what}".encode())


class _Bench:
    """The cases with their outcome under the ruleset as it is."""

    def __init__(self, ruleset: Ruleset, cases: Iterable[Case]) -> None:
        self.ruleset = ruleset
        self.sizing_rules = frozenset(Sizer(ruleset).ruleset.rules)
        self.prospects: dict[str, Prospects] = {}
        self.cases: dict[str, Case] = {}
        self.facts: dict[str, Mapping[str, FactValue]] = {}
        self.groups: dict[str, list[tuple[Mapping[str, FactValue], list[str]]]] = {}
        failing = []
        for case in sorted(cases, key=_cost):
            self.prospects[case.name] = _prospects(ruleset, case)
            if self._differs(ruleset, case, self.prospects[case.name]):
                failing.append(case.name)
            else:
                self.cases[case.name] = case
                self.facts[case.name] = fire(ruleset, case.facts).facts
        self.failing = tuple(failing)

    def notices(self, mutant: Rule) -> bool:
        """Whether a case has another outcome once ``mutant`` stands in place of the rule of the same id."""
        touched: list[Case] = []
        for case, now in self._touched(mutant):
            if now is not None and mutant.id in (case.silent if now else case.fires):
                return True
            if _looks_at(case, self.ruleset.rules[mutant.id].then):
                touched.append(case)
        touched.sort(key=lambda case: mutant.id not in case.fires)
        mutated = _with_rule(self.ruleset, mutant)
        sizes = mutant.id in self.sizing_rules
        return any(
            self._differs(mutated, case, _prospects(mutated, case) if sizes else self.prospects[case.name])
            for case in touched
        )

    def _touched(self, mutant: Rule) -> Iterator[tuple[Case, bool | None]]:
        """The cases that ``mutant`` may bear on, each with whether it fires now (None where only its effects changed)."""
        original = self.ruleset.rules[mutant.id]
        if original.id not in self.groups:
            self.groups[original.id] = list(alike(original, self.facts))
        for facts, names in self.groups[original.id]:
            fired = evaluate(original.when, facts) is True
            now = None
            if mutant.when != original.when:
                now = evaluate(mutant.when, facts) is True
            if (now is None and fired) or (now is not None and now != fired):
                yield from ((self.cases[name], now) for name in names)

    def _differs(self, ruleset: Ruleset, case: Case, prospects: Prospects) -> bool:
        decider = Decider(ruleset, Plain(ruleset), lambda *_: prospects)
        return any(True for _ in differences(case, decider.decide(case.facts, MOMENT)))


def _looks_at(case: Case, then: Effects) -> bool:
    """Whether ``case`` expects anything that a rule with the effects ``then`` can bear on; conclusions bear on everything."""
    expect = case.expect
    sizes = (
        expect.size,
        expect.candidates,
        expect.confidence,
        expect.settled,
        case.axes,
        expect.holds,
        expect.measure_next,
    )
    return (
        bool(then.conclusions)
        or (bool(then.sizes or then.holds) and any(wanted not in (None, (), {}) for wanted in sizes))
        or (bool(then.cautions) and bool(expect.cautions or expect.no_cautions))
        or any(call.task in expect.tasks or call.task in expect.no_tasks for call in then.tasks)
        or any(name in expect.instructions or name in expect.no_instructions for name in then.instructions)
        or any(name in expect.asks or name in expect.no_asks for name in then.questions)
    )


def _cost(case: Case) -> tuple[bool, bool]:
    """Sort key: cases that are cheap to decide again come first."""
    return bool(case.expect.measure_next), case.expect.settled is not None


def _prospects(ruleset: Ruleset, case: Case) -> Prospects:
    """What is still open, only as far as ``case`` asks for it: ranking what to measure next takes longest."""
    if case.expect.settled is None and not case.expect.measure_next:
        return Prospects(dict.fromkeys(ruleset.axes, False), False, ())
    return Sizer(ruleset).prospects(case.facts, rank=bool(case.expect.measure_next))


def _with_rule(ruleset: Ruleset, rule: Rule) -> Ruleset:
    strata = tuple(tuple(rule if found.id == rule.id else found for found in stratum) for stratum in ruleset.strata)
    return replace(ruleset, strata=strata)


# --- making mutants --------------------------------------------------------------------------------------------------


def mutants(ruleset: Ruleset, written: SourceMap) -> Iterator[Mutant]:
    """Every mutant of every rule of ``ruleset``, with its place in the files as ``written``."""
    for rule in ruleset.rules.values():
        places = written.conditions(rule.id)
        for kind, path, condition, what in _condition_mutants(ruleset, rule.when):
            yield Mutant(kind, what, places[path], replace(rule, when=condition))
        for kind, key, effects, what in _effect_mutants(ruleset, rule.then):
            yield Mutant(kind, what, written.rule(rule.id, "then", *key), replace(rule, then=effects))


def _condition_mutants(ruleset: Ruleset, condition: Condition) -> Iterator[tuple[Kind, ConditionPath, Condition, str]]:
    for path, part in parts(condition):
        match part:
            case Compare(fact):
                changes = _comparison_mutants(ruleset.vocabulary[fact], part)
            case Known(fact) | Unknown(fact):
                other = Unknown(fact) if isinstance(part, Known) else Known(fact)
                changes = iter([("comparison flipped", other)])
            case UnlessKnownNot(comparison):
                changes = _danger_mutants(ruleset.vocabulary[comparison.fact], comparison)
            case _:
                for index, child in enumerate(part.children):
                    if len(part.children) > 1:
                        shorter = replaced(condition, path, dropped(part, index))
                        yield "condition dropped", (*path, index), shorter, f"without {describe(child)}"
                changes = _group_mutants(part)
        for kind, changed in changes:
            yield kind, path, replaced(condition, path, changed), f"{describe(part)} becomes {describe(changed)}"


def _comparison_mutants(fact: FactDefinition, part: Compare) -> Iterator[tuple[Kind, Condition]]:
    yield "comparison flipped", replace(part, comparator=NEGATED[part.comparator])
    if part.comparator in ORDERED and isinstance(part.value, (int, float)):
        step = _step(fact, float(part.value))
        yield "threshold up", replace(part, value=part.value + step, written="")
        yield "threshold down", replace(part, value=part.value - step, written="")
    if isinstance(part.value, tuple) and len(part.value) > 1:
        for option in part.value:
            yield "option dropped", replace(part, value=tuple(other for other in part.value if other != option))


def _danger_mutants(fact: FactDefinition, comparison: Compare) -> Iterator[tuple[Kind, Condition]]:
    """The danger counts only where it is recorded, and the comparison changed in each way in which comparisons are."""
    yield "unknown taken for safe", comparison
    for kind, changed in _comparison_mutants(fact, comparison):
        assert isinstance(changed, Compare)
        yield kind, UnlessKnownNot(changed)


def _step(fact: FactDefinition, threshold: float) -> float:
    if fact.counted_in is not None:
        return fact.counted_in
    if threshold:
        return abs(threshold) * _SHARE
    low, high = fact.range or (0.0, 1.0)
    return (high - low) * _SHARE


def _group_mutants(part: AllOf | AnyOf | NoneOf) -> Iterator[tuple[Kind, Condition]]:
    if isinstance(part, NoneOf):
        yield "negation dropped", AnyOf(part.children)
    elif len(part.children) > 1:
        yield "all and any swapped", AnyOf(part.children) if isinstance(part, AllOf) else AllOf(part.children)


_Key = tuple[str | int, ...]


def _effect_mutants(ruleset: Ruleset, then: Effects) -> Iterator[tuple[Kind, _Key, Effects, str]]:
    for index, offer in enumerate(then.sizes):
        moved = _moved(ruleset, offer)
        if moved is not None:
            sizes = _exchanged(then.sizes, index, moved)
            what = f"{offer.axis} {offer.value} becomes {moved.value}"
            yield "size moved", ("size", index), replace(then, sizes=sizes), what
    for index, call in enumerate(then.tasks):
        for what, timed in _timing_mutants(call):
            tasks = _exchanged(then.tasks, index, timed)
            yield "timing changed", ("tasks", index), replace(then, tasks=tasks), f"task {call.task}: {what}"
    for index, conclusion in enumerate(then.conclusions):
        other = _other_conclusion(ruleset.vocabulary[conclusion.fact], conclusion)
        if other is not None:
            conclusions = _exchanged(then.conclusions, index, other)
            changed = "a larger value" if other.value is None else other.value
            what = f"concludes {changed} for {conclusion.fact}"
            yield "conclusion changed", ("conclude", conclusion.fact), replace(then, conclusions=conclusions), what
    yield from _dropped_effects(then)


def _dropped_effects(then: Effects) -> Iterator[tuple[Kind, _Key, Effects, str]]:
    for index, offer in enumerate(then.sizes):
        yield "effect dropped", ("size", index), replace(then, sizes=_less(then.sizes, index)), f"no {offer.value}"
    for index, _ in enumerate(then.holds):
        yield "effect dropped", ("hold", index), replace(then, holds=_less(then.holds, index)), "no hold"
    for index, _ in enumerate(then.cautions):
        yield "effect dropped", ("caution", index), replace(then, cautions=_less(then.cautions, index)), "no caution"
    for index, call in enumerate(then.tasks):
        yield "effect dropped", ("tasks", index), replace(then, tasks=_less(then.tasks, index)), f"no task {call.task}"
    for index, name in enumerate(then.instructions):
        instructions = _less(then.instructions, index)
        yield "effect dropped", ("instructions", index), replace(then, instructions=instructions), f"no {name}"
    for index, name in enumerate(then.questions):
        questions = _less(then.questions, index)
        yield "effect dropped", ("ask", index), replace(then, questions=questions), f"{name} is not asked for"
    for index, conclusion in enumerate(then.conclusions):
        conclusions = _less(then.conclusions, index)
        yield (
            "effect dropped",
            ("conclude", conclusion.fact),
            replace(then, conclusions=conclusions),
            f"{conclusion.fact} is not concluded",
        )


def _moved(ruleset: Ruleset, offer: SizeOffer) -> SizeOffer | None:
    """The offer one value up, or down from the top; None on an axis of one value."""
    values = ruleset.axes[offer.axis].values
    rank = values.index(offer.value)
    if len(values) == 1:
        return None
    return replace(offer, value=values[rank + 1] if rank + 1 < len(values) else values[rank - 1])


def _timing_mutants(call: TaskCall) -> Iterator[tuple[str, TaskCall]]:
    """Each number of the timing doubled (a zero becomes one), each event left out, one person more."""
    for key in ("every_hours", "times_per_day", "within_hours", "within_wear_hours", "for_days"):
        number = getattr(call.timing, key)
        if number is not None:
            changed = number * 2 or 1
            yield f"{key} {number:g} becomes {changed:g}", _timed(call, key, changed)
    for event in call.timing.on:
        others = tuple(other for other in call.timing.on if other != event)
        yield f"not {event}", _timed(call, "on", others)
    for hand, count in call.hands.items():
        yield f"{hand} {count} becomes {count + 1}", replace(call, hands={**call.hands, hand: count + 1})
    if call.people is not None:
        yield f"people {call.people} becomes {call.people + 1}", replace(call, people=call.people + 1)


def _timed(call: TaskCall, key: str, value: object) -> TaskCall:
    return replace(call, timing=call.timing.model_copy(update={key: value}))


def _other_conclusion(fact: FactDefinition, conclusion: Conclusion) -> Conclusion | None:
    """Another constant in place of a constant one, or a computed value that is a little larger."""
    if conclusion.expression is not None:
        larger = expressions.BinaryOperation("*", conclusion.expression, expressions.Number(1 + _SHARE))
        return Conclusion(fact.name, expression=larger)
    match conclusion.value:
        case bool(value):
            return Conclusion(fact.name, not value)
        case str(value):
            codes = fact.values
            return Conclusion(fact.name, codes[(codes.index(value) + 1) % len(codes)]) if len(codes) > 1 else None
        case int(value) | float(value):
            return Conclusion(fact.name, value + _step(fact, float(value)))
    return None


def _exchanged(items: tuple[T, ...], index: int, item: T) -> tuple[T, ...]:
    return (*items[:index], item, *items[index + 1 :])


def _less(items: tuple[T, ...], index: int) -> tuple[T, ...]:
    return (*items[:index], *items[index + 1 :])
