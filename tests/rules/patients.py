"""Generated patients: any subset of the facts, each with any plausible value, thresholds hit exactly and just missed.

Hypothesis strategies for property tests, which shrink; and whole tables for the tests that need very many.
"""

from __future__ import annotations

from math import ceil, floor

import numpy as np
import polars as pl
from hypothesis import strategies as st

from rules.batch.fact_frame import column_type
from rules.evaluation.information_gain import cuts
from rules.evaluation.interpreter import fire
from rules.model.conditions import AllOf, AnyOf, Condition, Leaf, NoneOf, Unknown, evaluate, leaves, without_negation
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Rule, Ruleset

MOST_DRAWN = 40
"""How often answers under which a rule may fire are drawn anew, until it does."""


def fact_values(fact: FactDefinition, edges: frozenset[float]) -> st.SearchStrategy[FactValue]:
    """Plausible values of one fact, with its thresholds and their close neighbours drawn often."""
    if fact.type == "boolean":
        return st.booleans()
    if fact.type == "code":
        return st.sampled_from(fact.values)
    low, high = fact.range or (-1e6, 1e6)
    if fact.type == "integer":
        return st.integers(int(low), int(high))
    if fact.step is not None:
        return st.integers(ceil(low / fact.step), floor(high / fact.step)).map(fact.step.__mul__)
    near = [edge + shift for edge in edges for shift in (-0.001, 0, 0.001) if low <= edge + shift <= high]
    spread = st.floats(low, high, allow_nan=False)
    return st.one_of(st.sampled_from(near), spread) if near else spread


def patients(ruleset: Ruleset) -> st.SearchStrategy[dict[str, FactValue]]:
    """Facts that an observer may give, each known or unknown."""
    edges = cuts(ruleset)
    optional = {
        name: fact_values(fact, edges.get(name, frozenset()))
        for name, fact in ruleset.vocabulary.items()
        if fact.given != "concluded"
    }
    return st.fixed_dictionaries({}, optional=optional)


def population(ruleset: Ruleset, size: int, seed: int = 1, *, nothing_else: bool = False) -> pl.DataFrame:
    """A table of ``size`` patients, the same for the same ``seed``: one column a fact that an observer may give.

    A third of a number's values lie on a threshold or on one of its two neighbours among the floating-point numbers.
    Patients differ in how much of them is unknown, and in how often a question is answered with yes. Half of them are
    aimed at a rule, each rule in turn, so that rules which ask for many answers at once are reached too; of these
    ``nothing_else`` is known where that is wanted, as one more answer may keep such a rule silent. The first aimed at each rule
    is drawn until it fires then, within reason; where that does not help, what silences the rule is aimed at too.
    """
    random = np.random.default_rng(seed)
    edges = {name: sorted(found) for name, found in cuts(ruleset).items()}
    yes = random.choice([0.03, 0.5, 0.97], size)
    unknown = random.choice([0.03, 0.3, 0.9], size)
    facts = [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]
    columns = {fact.name: _column(fact, edges.get(fact.name, []), yes, unknown, random).to_list() for fact in facts}
    rules = list(ruleset.rules.values())
    for row in range(size // 2):
        rule = rules[row % len(rules)]
        aimed = _aimed_at([rule.when], ruleset, edges, random)
        if nothing_else and row < len(rules):
            for _ in range(MOST_DRAWN):
                if rule in _fired(ruleset, aimed):
                    break
                aimed = _aimed_at([rule.when], ruleset, edges, random)
            else:
                aimed = _past_what_silences(rule, aimed, ruleset, edges, np.random.default_rng((seed, row)))
        for name in columns if nothing_else else aimed:
            columns[name][row] = aimed.get(name)
    return pl.DataFrame([pl.Series(fact.name, columns[fact.name], dtype=column_type(fact)) for fact in facts])


def as_people(table: pl.DataFrame) -> list[dict[str, FactValue]]:
    """Each row of ``table`` as known facts by name."""
    return [{name: value for name, value in row.items() if value is not None} for row in table.iter_rows(named=True)]


def _column(
    fact: FactDefinition, edges: list[float], yes: np.ndarray, unknown: np.ndarray, random: np.random.Generator
) -> pl.Series:
    size = len(yes)
    if fact.type == "boolean":
        values = pl.Series(fact.name, random.random(size) < yes)
    elif fact.type == "code":
        values = pl.Series(fact.name, random.choice(fact.values, size)).cast(column_type(fact))
    else:
        values = pl.Series(fact.name, _numbers(fact, edges, size, random))
    known = pl.lit(pl.Series(random.random(size) >= unknown))
    return values.to_frame().select(pl.when(known).then(pl.first()).alias(fact.name)).to_series()


def _numbers(fact: FactDefinition, edges: list[float], size: int, random: np.random.Generator) -> np.ndarray:
    low, high = fact.range or (-1e6, 1e6)
    spread = random.uniform(low, high, size)
    edge = random.choice([low, high, *(edge for edge in edges if low <= edge <= high)], size)
    if fact.counted_in is not None:
        steps = np.where(random.random(size) < 1 / 3, edge, spread) / fact.counted_in
        return np.clip(steps.round() * fact.counted_in, low, high)
    kind = random.integers(0, 12, size)
    beside = {0: edge, 1: edge, 2: np.nextafter(edge, np.inf), 3: np.nextafter(edge, -np.inf), 4: spread.round()}
    chosen = np.select([kind == number for number in beside], list(beside.values()), spread)
    return np.clip(chosen, low, high)


def _fired(ruleset: Ruleset, answers: dict[str, FactValue | None]) -> tuple[Rule, ...]:
    return fire(ruleset, {name: value for name, value in answers.items() if value is not None}).fired


def _past_what_silences(
    rule: Rule,
    aimed: dict[str, FactValue | None],
    ruleset: Ruleset,
    edges: dict[str, list[float]],
    random: np.random.Generator,
) -> dict[str, FactValue | None]:
    """Answers at which a rule that keeps ``rule`` silent, by concluding what has to stay unknown, is silent itself."""
    unknown = _to_stay_unknown(rule, ruleset)
    for _ in range(MOST_DRAWN):
        fired = _fired(ruleset, aimed)
        silencing = [one for one in fired if unknown & {conclusion.fact for conclusion in one.then.conclusions}]
        if rule in fired or not silencing:
            break
        other = silencing[random.integers(len(silencing))]
        aimed = _aimed_at([NoneOf((other.when,)), rule.when], ruleset, edges, random)
    return aimed


def _to_stay_unknown(rule: Rule, ruleset: Ruleset) -> set[str]:
    """What no rule may conclude where ``rule`` is to fire, or where what it reads is to be concluded."""
    unknown: set[str] = set()
    waiting, seen = [rule], {rule.id}
    while waiting:
        for leaf in leaves(without_negation(waiting.pop().when)):
            if isinstance(leaf, Unknown):
                unknown.add(leaf.fact)
                continue
            writers = [one for one in ruleset.rules.values() if one.id not in seen and _may_conclude(one, leaf)]
            waiting += writers
            seen |= {one.id for one in writers}
    return unknown


def _aimed_at(
    wanted: list[Condition], ruleset: Ruleset, edges: dict[str, list[float]], random: np.random.Generator
) -> dict[str, FactValue | None]:
    """Answers (None: unknown) under which all of ``wanted`` may well hold, the last one first, chosen anew at each call."""
    answers: dict[str, FactValue | None] = {}
    conditions = [without_negation(one) for one in wanted]
    while conditions:
        condition = conditions.pop()
        if isinstance(condition, AllOf):
            conditions.extend(condition.children)
        elif isinstance(condition, AnyOf):
            conditions.append(condition.children[random.integers(len(condition.children))])
        elif ruleset.vocabulary[condition.fact].given != "concluded":
            found = _answers(condition, ruleset.vocabulary[condition.fact], edges.get(condition.fact, []))
            if found and condition.fact not in answers:
                answers[condition.fact] = found[random.integers(len(found))]
        elif found := [writer for writer in ruleset.rules.values() if _may_conclude(writer, condition)]:
            conditions.append(without_negation(found[random.integers(len(found))].when))
    return answers


def _answers(leaf: Leaf, fact: FactDefinition, edges: list[float]) -> list[FactValue | None]:
    if isinstance(leaf, Unknown):
        return [None]
    if fact.type == "boolean":
        values: list[FactValue] = [True, False]
    elif fact.type == "code":
        values = list(fact.values)
    else:
        low, high = fact.range or (-1e6, 1e6)
        step = fact.counted_in or 1e-6
        near = [fact.on_step(v) for e in (low, *edges, high) for v in (e - step, e, e + step)]
        values = [v for v in near if low <= v <= high]
    return [value for value in values if evaluate(leaf, {fact.name: value})]


def _may_conclude(rule: Rule, leaf: Leaf) -> bool:
    """Whether a conclusion of ``rule`` could make ``leaf`` true."""
    drawn = [conclusion for conclusion in rule.then.conclusions if conclusion.fact == leaf.fact]
    return any(c.value is None or evaluate(leaf, {leaf.fact: c.value}) for c in drawn)
