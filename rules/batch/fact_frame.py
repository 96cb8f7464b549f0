"""A table of facts: one row a patient at one moment, one column a fact, null for unknown; and how such a table is checked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import polars as pl

from rules.errors import FactError, InvalidFact
from rules.model.facts import FactDefinition, Vocabulary


def column_type(definition: FactDefinition) -> pl.DataType:
    """The Polars type of the fact ``definition``: Float64 for numbers (whole ones too), Boolean, or Enum of its codes in order."""
    if definition.numeric:
        return pl.Float64()
    return pl.Boolean() if definition.type == "boolean" else pl.Enum(definition.values)


def plausible(definition: FactDefinition, number: pl.Expr) -> pl.Expr:
    """Whether the values of the column ``number`` can be used for ``definition``; the same question as ``FactDefinition.problem``.

    ``number`` is in the unit of the fact. Returns an expression of Booleans.
    """
    tests = [number.is_finite()]
    if definition.counted_in is not None:
        steps = number / definition.counted_in
        tests.append(steps == steps.floor())
    if definition.range is not None:
        tests.append(number.is_between(*definition.range, closed="both"))
    return pl.all_horizontal(tests)


def checked_facts(vocabulary: Vocabulary, table: pl.DataFrame, keep: Sequence[str] = ()) -> pl.DataFrame:
    """``table`` with each fact in its column type; columns named in ``keep`` (identifiers, times) pass through.

    One row a patient, one column a fact of ``vocabulary`` in the fact's unit, null for unknown. Raises FactError that
    names each column that is not a fact, is only ever concluded by rules or has the wrong type, and for every other
    column the first value that cannot be used, with the number of such rows.
    """
    facts = [column for column in table.columns if column not in keep]
    problems = [problem for name in facts for problem in _problems(vocabulary, table[name])]
    if problems:
        raise FactError(problems)
    return table.with_columns(pl.col(name).cast(column_type(vocabulary[name])) for name in facts)


def _problems(vocabulary: Vocabulary, column: pl.Series) -> Iterable[InvalidFact]:
    known = column.drop_nulls()
    definition = vocabulary.get(column.name)
    if definition is None or definition.given == "concluded":
        refused = vocabulary.problem(column.name, "a column")
        if refused is not None:
            yield refused
        return
    if known.is_empty():
        return
    if not _comparable(definition, column.dtype):
        yield InvalidFact(column.name, known[0], f"a column of type {column.dtype}", definition.accepted)
        return
    wrong = known.filter(~usable(definition, known))
    if len(wrong):
        message = f"{definition.problem(wrong[0])} ({len(wrong)} of {len(column)} rows)"
        yield InvalidFact(column.name, wrong[0], message, definition.accepted)


def _comparable(definition: FactDefinition, found: pl.DataType) -> bool:
    if definition.numeric:
        return found.is_numeric()
    if definition.type == "boolean":
        return found == pl.Boolean
    return found in (pl.String, pl.Categorical, pl.Enum)


def usable(definition: FactDefinition, column: pl.Series) -> pl.Series:
    """Which values of ``column`` can be used for the fact ``definition``, row by row. Null: no.

    Asks the same question as ``FactDefinition.problem``; numbers are in the unit of the fact.
    """
    if not _comparable(definition, column.dtype):
        return column.is_null() & False
    if definition.type == "boolean":
        return column.is_not_null()
    if definition.type == "code":
        return column.cast(pl.String).is_in(definition.values).fill_null(False)
    numbers = column.cast(pl.Float64).to_frame("")
    return numbers.select(plausible(definition, pl.col("")).fill_null(False)).to_series().alias(column.name)
