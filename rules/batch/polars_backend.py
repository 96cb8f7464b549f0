"""A Ruleset over a whole table of patients: compiled once to Polars expressions, a table of facts to a table of decisions.

What comes out equals ``interpreter.py``, ``hit_policy.py`` and the merged tasks of ``decider.py``, row by row. What only helps
at one bedside (``settled``, ``measure_next``, what is missing for an assessment) is not worked out here; ask ``Decider``.

A rule fires only where its condition is definitely true. So negation is pushed down to the comparisons, an unknown
comparison counts as not true, and everything after that is plain bit masks, which is where the speed comes from.
"""

from __future__ import annotations

import functools
import itertools
import operator
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

import polars as pl

from rules.batch.fact_frame import column_type, plausible
from rules.batch.task_state_machine import TaskMachine
from rules.errors import EngineError
from rules.evaluation.hit_policy import size_class
from rules.evaluation.task_merging import MergedTask
from rules.model import expressions as arithmetic
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, Known, Leaf, NoneOf, Unknown, UnlessKnownNot
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import BASES, Axis, CautionText, Conclusion, Hold, Rule, Ruleset, Strength, by_priority

BATCH = 262_144
"""Rows decided together: enough to hide what one call costs, few enough for some tens of megabytes."""

_MOST_VALUES_ON_AN_AXIS = 8
_NEVER = pl.lit(False)
_ORDERED: Mapping[str, Callable[[pl.Expr, float], pl.Expr]] = {
    "at_least": operator.ge,
    "above": operator.gt,
    "at_most": operator.le,
    "below": operator.lt,
}
_ARITHMETIC: Mapping[str, Callable[[pl.Expr, pl.Expr], pl.Expr]] = {
    "+": operator.add,
    "-": operator.sub,
    "*": operator.mul,
    "/": operator.truediv,
}


class Columns:
    """One ruleset compiled to Polars. Immutable once built; may be shared between threads and sent to workers.

    Columns of the result, one row for each row of facts:

    - ``size`` (short form such as ``adult H3 G2``, null where withheld), ``confidence``, ``withheld``;
    - for each axis ``axis:NAME``, ``candidates:NAME`` (in the order to try, with blanks between), ``basis:NAME``;
    - ``rule:ID`` whether the rule fired; ``hold:KIND: TEXT`` and ``caution:SEVERITY: TEXT`` whether it is said;
    - ``task:ID`` when it is due, in words (null: not asked for); ``merged_tasks[ID]`` gives the same as data, by code;
    - ``fact:NAME`` the final value of each fact that rules conclude; ``refused:NAME:RULE`` whether a rule's conclusion
      was not drawn because it would be implausible.
    """

    def __init__(self, ruleset: Ruleset) -> None:
        """Compile ``ruleset``. Raises EngineError where an axis or a task has too many values to be held in a column."""
        self.ruleset = ruleset
        self.outputs: dict[str, pl.Expr] = {}
        self.merged_tasks: dict[str, tuple[MergedTask, ...]] = {}
        self._stages: list[list[pl.Expr]] = []
        self._leaves: dict[Leaf, str] = {}
        self._refused: dict[str, pl.Expr] = {}
        self._temporary = itertools.count()
        for stratum in ruleset.strata:
            self._fire(stratum)
            self._conclude(stratum)
        self._size()
        self.outputs.update((_rule(rule), pl.col(_rule(rule))) for rule in ruleset.rules.values())
        self._said()
        self._tasks()
        self._facts()

    @functools.cached_property
    def facts(self) -> tuple[str, ...]:
        """The facts that are read from the table, in vocabulary order."""
        used = self.ruleset.facts_read.union(*(rule.writes for rule in self.ruleset.rules.values()))
        return tuple(name for name in self.ruleset.vocabulary if name in used)

    def plan(self, table: pl.LazyFrame, keep: Sequence[str] = (), outputs: Iterable[str] | None = None) -> pl.LazyFrame:
        """The decisions for ``table`` as a plan that has not run yet; only the rules behind ``outputs`` are worked out.

        Columns named in ``keep`` pass through. ``table`` must have been checked (``checked_facts``); a fact without a
        column is unknown in every row. Raises ValueError where a kept column has the name of an output.
        """
        chosen = list(self.outputs) if outputs is None else list(outputs)
        if clash := sorted(set(keep) & set(chosen)):
            raise ValueError(f"columns {', '.join(clash)} are named like results; rename them before deciding")
        present = set(table.collect_schema().names())
        if not present:
            raise ValueError("the table has no columns, so it is not known how many patients it stands for")
        plan = table.select(
            *(pl.col(name).alias(_kept(name)) for name in keep),
            *(self._encoded(name, name in present) for name in self.facts),
            pl.first().is_null().alias("~rows"),
        )
        for stage in self._stages:
            plan = plan.with_columns(stage)
        return plan.select(
            *(pl.col(_kept(name)).alias(name) for name in keep),
            *(self.outputs[name].alias(name) for name in chosen),
        )

    def decide(
        self, table: pl.DataFrame, keep: Sequence[str] = (), outputs: Iterable[str] | None = None
    ) -> pl.DataFrame:
        """The decisions for ``table``, worked out batch by batch: one row for each of its rows, in the same order.

        ``keep`` names columns that pass through, ``outputs`` the columns of the result (all where it is None). Errors
        as for ``plan``.
        """
        chosen = list(self.outputs) if outputs is None else list(outputs)
        starts = range(0, max(table.height, 1), BATCH)
        return pl.concat(self.plan(table.slice(start, BATCH).lazy(), keep, chosen).collect() for start in starts)

    def _encoded(self, name: str, present: bool) -> pl.Expr:
        definition = self.ruleset.vocabulary[name]
        column = pl.col(name) if present else pl.lit(None)
        column = column.cast(column_type(definition))
        return (column.to_physical() if definition.type == "code" else column).alias(name)

    # --- which rules fire, and what they conclude ------------------------------------------------------------------

    def _stage(self, expressions: Mapping[str, pl.Expr]) -> None:
        if expressions:
            self._stages.append([expression.alias(name) for name, expression in expressions.items()])

    def _fire(self, stratum: Sequence[Rule]) -> None:
        comparisons: dict[str, pl.Expr] = {}
        fired = {_rule(rule): self._truth(rule.positive, comparisons) for rule in stratum}
        self._stage(comparisons)
        self._stage(fired)

    def _truth(self, condition: Condition, comparisons: dict[str, pl.Expr]) -> pl.Expr:
        """Whether ``condition`` is definitely true; comparisons met for the first time are added to ``comparisons``."""
        match condition:
            case Compare() | Known() | Unknown() | UnlessKnownNot():
                if condition not in self._leaves:
                    name = self._leaves[condition] = f"~{next(self._temporary)}"
                    comparisons[name] = self._test(condition)
                return pl.col(self._leaves[condition])
            case AllOf(()):
                return pl.lit(True)
            case AllOf(children):
                return _all(self._truth(child, comparisons) for child in children)
            case AnyOf(children):
                return _any(self._truth(child, comparisons) for child in children)
            case NoneOf():
                raise EngineError("a negation reached the compiler; it must have been pushed down before")

    def _test(self, leaf: Leaf) -> pl.Expr:
        column = pl.col(leaf.fact)
        if isinstance(leaf, Known):
            return column.is_not_null()
        if isinstance(leaf, Unknown):
            return column.is_null()
        if isinstance(leaf, UnlessKnownNot):
            return column.is_null() | self._test(leaf.comparison)
        definition = self.ruleset.vocabulary[leaf.fact]
        if leaf.comparator in _ORDERED:
            assert not isinstance(leaf.value, (tuple, str))
            return _ORDERED[leaf.comparator](column, float(leaf.value)).fill_null(False)
        options = leaf.value if isinstance(leaf.value, tuple) else (leaf.value,)
        equal = _any(column == _coded(definition, option) for option in options)
        return (equal if leaf.comparator in ("is", "one_of") else ~equal).fill_null(False)

    def _conclude(self, stratum: Sequence[Rule]) -> None:
        """Conclusions of one layer: what is known already stands, then the highest priority, then the rule first in order."""
        before: dict[str, list[pl.Expr]] = defaultdict(list)
        refused: dict[str, pl.Expr] = {}
        numbers: dict[str, pl.Expr] = {}
        for rule in by_priority(stratum):
            for conclusion in rule.then.conclusions:
                fact = self.ruleset.vocabulary[conclusion.fact]
                value, usable = self._value(fact, conclusion, numbers)
                fired = pl.col(_rule(rule))
                known = pl.coalesce(pl.col(fact.name), *before[fact.name])
                refused[f"refused:{fact.name}:{rule.id}"] = fired & known.is_null() & usable.not_().fill_null(False)
                before[fact.name].append(pl.when(fired & usable).then(value))
        concluded = {name: pl.coalesce(pl.col(name), *drawn) for name, drawn in before.items()}
        self._refused.update((name, pl.col(name)) for name in refused)
        self._stage(numbers)
        self._stage({**refused, **concluded})

    def _value(
        self, fact: FactDefinition, conclusion: Conclusion, numbers: dict[str, pl.Expr]
    ) -> tuple[pl.Expr, pl.Expr]:
        """The concluded value in the fact's internal type, and whether it can be used (null: there is no value).

        What is calculated is added to ``numbers``: a column of its own, since many other conclusions look at it.
        """
        empty = pl.lit(None, dtype=_internal_type(fact))
        if conclusion.expression is None:
            assert conclusion.value is not None
            if fact.problem(conclusion.value) is not None:
                return empty, _NEVER
            return pl.lit(_coded(fact, conclusion.value), dtype=_internal_type(fact)), pl.lit(True)
        name = f"~{next(self._temporary)}"
        numbers[name] = self._number(conclusion.expression)
        number = pl.col(name)
        if not fact.numeric:
            return empty, pl.when(number.is_not_null()).then(_NEVER)
        return number, plausible(fact, number)

    def _number(self, expression: arithmetic.Expression) -> pl.Expr:
        match expression:
            case arithmetic.Number(value):
                return pl.lit(float(value))
            case arithmetic.Name(name):
                numeric = self.ruleset.vocabulary[name].numeric
                return pl.col(name) if numeric else pl.lit(None, dtype=pl.Float64())
            case arithmetic.BinaryOperation(symbol, left, right):
                a, b = self._number(left), self._number(right)
                if symbol == "/" and isinstance(right, arithmetic.Number):
                    # Polars divides by a constant as it multiplies by its reciprocal, which rounds differently;
                    # dividing by a column of the constant is true division.
                    b = a * 0 + b
                result = _ARITHMETIC[symbol](a, b)
                return pl.when(result.is_finite()).then(result)

    # --- the size class --------------------------------------------------------------------------------------------

    def _size(self) -> None:
        axes = list(self.ruleset.axes.values())
        holds = [(rule, hold) for rule in self.ruleset.rules.values() for hold in rule.then.holds]
        # One stage for all axes: planning costs the same for one column as for hundreds.
        for together in zip(*map(self._candidates, axes), strict=True):
            self._stage(dict(itertools.chain.from_iterable(step.items() for step in together)))
        for axis in axes:
            held = _any(pl.col(_rule(rule)) for rule, hold in holds if hold.axis is None or hold.axis == axis.name)
            self._axis_outputs(axis, ~held)
        empty = (pl.col(_mask(axis)) == 0 for axis in axes)
        self._stage({"~withheld": _any([*empty, *(pl.col(_rule(rule)) for rule, _ in holds)])})
        self._size_outputs(axes, ~pl.col("~withheld"))

    def _candidates(self, axis: Axis) -> tuple[dict[str, pl.Expr], ...]:
        """The candidates on ``axis``: what is offered at the strongest level (basis, priority) that offers anything.

        In three steps, each of which needs the columns of the one before.
        """
        if len(axis.values) > _MOST_VALUES_ON_AN_AXIS:
            raise EngineError(
                f"axis {axis.name}: {len(axis.values)} values, at most {_MOST_VALUES_ON_AN_AXIS} fit a column"
            )
        levels: dict[Strength, dict[int, list[pl.Expr]]] = defaultdict(lambda: defaultdict(list))
        for rule in self.ruleset.rules.values():
            for offer in rule.then.sizes:
                if offer.axis == axis.name:
                    strength, place = axis.weight(rule, offer)
                    levels[strength][place].append(pl.col(_rule(rule)))
        reached: dict[str, pl.Expr] = {}
        offered = _NEVER
        places: list[list[pl.Expr]] = [[] for _ in range(2 * len(axis.values))]
        bases: dict[str, list[pl.Expr]] = {basis: [] for basis in BASES}
        for (basis, _), offers in sorted(levels.items()):
            name = f"~{next(self._temporary)}"
            here = _any(itertools.chain.from_iterable(offers.values()))
            reached[name] = here & ~offered
            bases[BASES[basis]].append(pl.col(name))
            for place, fired in offers.items():
                places[place].append(pl.col(name) & _any(fired))
            offered = offered | here
        size = len(axis.values)
        preferred, others = _bits(map(_any, places[:size])), _bits(map(_any, places[size:]))
        masks = {
            _preferred(axis): preferred,
            _mask(axis): preferred | others,
            _basis(axis): _bits(map(_any, bases.values())),
        }
        ahead, mask = pl.col(_preferred(axis)), pl.col(_mask(axis))
        return reached, masks, {_first(axis): _lowest_bit(pl.when(ahead > 0).then(ahead).otherwise(mask), size)}

    def _axis_outputs(self, axis: Axis, free: pl.Expr) -> None:
        mask = pl.col(_mask(axis))
        shown = free & (mask > 0)
        subsets = range(2 ** len(axis.values))
        orders = [_in_order(axis, subset, ahead) for subset in subsets for ahead in subsets]
        labels = list(dict.fromkeys(orders))
        number = {order: place for place, order in enumerate(labels)}
        table = pl.lit(pl.Series([number[order] for order in orders], dtype=pl.UInt16()))
        at = mask.cast(pl.UInt32()) * len(subsets) + pl.col(_preferred(axis))
        self.outputs[f"axis:{axis.name}"] = _labelled(shown, pl.col(_first(axis)), axis.values)
        self.outputs[f"candidates:{axis.name}"] = _labelled(shown, table.gather(at), labels)
        self.outputs[f"basis:{axis.name}"] = _labelled(shown, _lowest_bit(pl.col(_basis(axis)), len(BASES)), BASES)

    def _size_outputs(self, axes: Sequence[Axis], given: pl.Expr) -> None:
        number = pl.lit(0, pl.UInt32())
        for axis in axes:
            number = number * len(axis.values) + pl.col(_first(axis))
        codes = [
            size_class(self.ruleset, dict(zip(self.ruleset.axes, values, strict=True))).code
            for values in itertools.product(*(axis.values for axis in axes))
        ]
        bases = functools.reduce(operator.or_, (pl.col(_basis(axis)) for axis in axes))
        self.outputs["size"] = _labelled(given, number, codes)
        self.outputs["confidence"] = _labelled(given, _highest_bit(bases, len(BASES)), BASES)
        self.outputs["withheld"] = pl.col("~withheld")

    # --- everything else -------------------------------------------------------------------------------------------

    def _said(self) -> None:
        said: dict[str, list[pl.Expr]] = defaultdict(list)
        for rule in self.ruleset.rules.values():
            for text in (*map(hold_column, rule.then.holds), *map(caution_column, rule.then.cautions)):
                said[text].append(pl.col(_rule(rule)))
        self.outputs.update((text, _any(fired)) for text, fired in said.items())

    def _tasks(self) -> None:
        """The tasks, all at the same step in the same stage."""
        machines = {task: TaskMachine(self.ruleset, task) for task in self.ruleset.tasks}
        state = dict.fromkeys(machines, pl.lit(0, pl.UInt32()))
        for step in range(max((len(machine.chunks) for machine in machines.values()), default=0)):
            steps = {}
            for task, machine in machines.items():
                if step < len(machine.chunks):
                    chunk = machine.chunks[step]
                    fired = _bits(pl.col(_rule(rule)) for rule in chunk)
                    name = f"~{next(self._temporary)}"
                    steps[name] = pl.lit(machine.tables[step]).gather(state[task] * 2 ** len(chunk) + fired)
                    state[task] = pl.col(name)
            self._stage(steps)
        for task, machine in machines.items():
            if machine.merged:
                self.merged_tasks[task] = machine.merged
                self.outputs[f"task:{task}"] = _labelled(state[task] > 0, state[task] - 1, machine.labels())

    def _facts(self) -> None:
        concluded = {fact for rule in self.ruleset.rules.values() for fact in rule.writes}
        for name in self.facts:
            if name in concluded:
                fact = self.ruleset.vocabulary[name]
                column = pl.col(name)
                self.outputs[f"fact:{name}"] = column.cat.to(column_type(fact)) if fact.type == "code" else column
        self.outputs.update(self._refused)


def hold_column(hold: Hold) -> str:
    """The name of the result column that says whether ``hold`` is said."""
    return f"hold:{hold.kind}{f' ({hold.axis})' if hold.axis else ''}: {hold.text}"


def caution_column(caution: CautionText) -> str:
    """The name of the result column that says whether ``caution`` is said."""
    return f"caution:{caution.severity}: {caution.text}"


def _rule(rule: Rule) -> str:
    return f"rule:{rule.id}"


def _kept(name: str) -> str:
    return f"~keep:{name}"


def _in_order(axis: Axis, subset: int, ahead: int) -> str:
    """The values of ``subset`` in the order to try: those in ``ahead`` before the others, each smallest first."""
    values = [(not ahead >> bit & 1, bit) for bit in range(len(axis.values)) if subset >> bit & 1]
    return " ".join(axis.values[bit] for _, bit in sorted(values))


def _preferred(axis: Axis) -> str:
    return f"~preferred:{axis.name}"


def _mask(axis: Axis) -> str:
    return f"~mask:{axis.name}"


def _basis(axis: Axis) -> str:
    return f"~basis:{axis.name}"


def _first(axis: Axis) -> str:
    return f"~first:{axis.name}"


def _any(truths: Iterable[pl.Expr]) -> pl.Expr:
    return functools.reduce(operator.or_, truths, _NEVER)


def _all(truths: Iterable[pl.Expr]) -> pl.Expr:
    return functools.reduce(operator.and_, truths)


def _bits(truths: Iterable[pl.Expr]) -> pl.Expr:
    """A number whose bit n is truth n."""
    truths = list(truths)
    kind = pl.UInt8() if len(truths) <= 8 else pl.UInt16()
    weighted = (truth.cast(kind) * pl.lit(1 << bit, kind) for bit, truth in enumerate(truths))
    return functools.reduce(operator.add, weighted)


def _lowest_bit(mask: pl.Expr, width: int) -> pl.Expr:
    """The position of the lowest bit of ``mask`` that is set (0 where none is)."""
    return pl.lit(pl.Series([max((m & -m).bit_length() - 1, 0) for m in range(1 << width)], dtype=pl.UInt8)).gather(
        mask
    )


def _highest_bit(mask: pl.Expr, width: int) -> pl.Expr:
    """The position of the highest bit of ``mask`` that is set (0 where none is)."""
    return pl.lit(pl.Series([max(m.bit_length() - 1, 0) for m in range(1 << width)], dtype=pl.UInt8)).gather(mask)


def _labelled(shown: pl.Expr, number: pl.Expr, labels: Sequence[str]) -> pl.Expr:
    """``number`` as the label at that place where ``shown``, else null."""
    kind = pl.Enum(labels)
    return pl.when(shown).then(number).cast(_physical(kind)).cat.to(kind)


def _physical(kind: pl.Enum) -> pl.DataType:
    return pl.Series([], dtype=kind).to_physical().dtype


def _internal_type(fact: FactDefinition) -> pl.DataType:
    kind = column_type(fact)
    return _physical(kind) if isinstance(kind, pl.Enum) else kind


def _coded(fact: FactDefinition, value: FactValue) -> FactValue:
    """``value`` as it stands in the fact's column: a code is its position."""
    if fact.type != "code":
        return float(value) if fact.numeric else value
    return fact.values.index(str(value))
