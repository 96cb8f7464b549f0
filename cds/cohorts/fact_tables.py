"""A Parquet table of facts as it comes: columns brought to their types, values that cannot be used refused and counted."""

from __future__ import annotations

from collections import Counter

import polars as pl

from cds.cohorts.cohort_reader import KEPT, NO_UNIT
from cds.cohorts.errors import ReplayError
from rules.batch.fact_frame import column_type, usable
from rules.model.ruleset import Ruleset


def facts_of(ruleset: Ruleset, table: pl.DataFrame) -> tuple[pl.DataFrame, Counter[tuple[str, str]]]:
    """``table`` with the columns ``patient``, ``unit``, ``at`` and one for each fact it holds; and refusals by fact and reason.

    Values of a fact are in its unit in ``ruleset``; one that cannot be used becomes null. Raises ReplayError where a
    column is neither a fact that an observer may give nor one of these three.
    """
    refused: Counter[tuple[str, str]] = Counter()
    given = {name: fact for name, fact in ruleset.vocabulary.items() if fact.given != "concluded"}
    strange = [name for name in table.columns if name not in given and name not in KEPT]
    if strange:
        raise ReplayError(
            f"columns {', '.join(strange)} are not facts that may be given; name each column after a fact "
            f"(`nuque facts` lists them) or {', '.join(KEPT)}"
        )
    columns = [_kept(table, name) for name in KEPT]
    for name in table.columns:
        if name in given:
            column, fact = table[name], given[name]
            good = usable(fact, column)
            for value in column.filter(~good & column.is_not_null()).to_list():
                refused[name, fact.problem(value) or f"a column of type {column.dtype}"] += 1
            columns.append(column.set(~good, None).cast(column_type(fact)))
    return pl.DataFrame(columns), refused


def _kept(table: pl.DataFrame, name: str) -> pl.Series:
    if name in table.columns:
        return table[name].cast(pl.Datetime("us", "UTC")) if name == "at" else table[name].cast(pl.String)
    kind = pl.Datetime("us", "UTC") if name == "at" else pl.String()
    value = NO_UNIT if name == "unit" else None
    return pl.Series(name, [value], dtype=kind).new_from_index(0, table.height)
