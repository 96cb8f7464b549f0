"""The same replay on Apache Spark: the same reading and the same compiled expressions, inside ``mapInArrow``.

Parquet of facts goes straight through; of an export each line is keyed where it lies, the lines of a patient are brought
together, and what one machine does with a bucket is done with a partition.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from functools import reduce
from typing import Any

import polars as pl
import pyarrow as pa

from cds.cohorts.bulk_export import SHARED_TYPES, keyed_lines
from cds.cohorts.cohort_reader import KEPT, Cohort, CohortReader
from cds.cohorts.column_reader import ColumnReader
from cds.cohorts.errors import ReplayError
from cds.cohorts.fact_tables import facts_of
from cds.cohorts.ndjson import mentions
from cds.cohorts.pipeline import NAMES_NOBODY, PART_BYTES, Replay
from cds.cohorts.summary import Tally, total
from rules.batch.fact_frame import column_type
from rules.batch.polars_backend import Columns

REFUSED = "refused"
"""Column of a row of Spark's output: what was refused in the same batch, as JSON; null in all rows but its first.

A batch in which nobody could be decided has one row that holds nothing else, and belongs to no patient.
"""
_SOMEBODY = "withheld is not null"
"""Of a patient's row it is always known whether a size is withheld."""


def run_on_spark(replay: Replay) -> Tally:
    """Carry out ``replay`` on the Spark session that is there, or on one on this machine. Returns the counts.

    Raises ReplayError where Spark is not installed or the decisions are there already.
    """
    os.environ.setdefault("PYSPARK_PYTHON", sys.executable)
    try:
        from pyspark.sql import SparkSession
    except ImportError as error:
        raise ReplayError("Apache Spark is not installed; `make setup-spark`, or pip install 'nuque[spark]'") from error
    target = replay.out / "decisions"
    if target.exists():
        raise ReplayError(f"{target}: is there already; a replay on Spark starts afresh, so choose another folder")
    session = SparkSession.builder.appName("nuque replay").getOrCreate()
    session.conf.set("spark.sql.session.timeZone", "UTC")
    session.conf.set("spark.sql.parquet.outputTimestampType", "TIMESTAMP_MICROS")
    columns = Columns(replay.ruleset)
    unfinished = replay.out / "unfinished"
    decided, nobody = _decided(session, replay, columns)
    decided.write.mode("overwrite").parquet(str(unfinished))
    written = session.read.parquet(str(unfinished))
    # mapInArrow takes a dot in a column's name for a path into a structure, so the columns travel under numbers.
    numbered = written.toDF(*(f"c{number}" for number in range(len(written.columns))))
    counted = numbered.mapInArrow(_Count(columns, tuple(written.columns)), "tally string")
    tally = total(Tally.from_json(json.loads(row.tally)) for row in counted.collect())
    if nobody:
        tally.refused[NAMES_NOBODY] += nobody
    written.filter(_SOMEBODY).write.parquet(str(target))
    shutil.rmtree(unfinished)
    return tally


def _decided(session: Any, replay: Replay, columns: Columns) -> tuple[Any, int]:
    """The decisions, not yet worked out, and how many records name no patient."""
    schema = _spark_schema(columns, replay)
    if replay.parquet:
        return session.read.parquet(*map(str, replay.parquet)).mapInArrow(_Decide(columns), schema), 0
    keyed = []
    for kind in sorted({file.type for file in replay.export.files}):
        paths = [str(file.path) for file in replay.export.files if file.type == kind]
        keyed.append(session.read.text(paths).mapInArrow(_Key(kind, replay), "key string, type string, line string"))
    lines = reduce(lambda one, other: one.unionAll(other), keyed)
    unnamed, of_all = lines.filter("key is null"), f"type in {SHARED_TYPES}"
    shared = {
        f"{resource.get('resourceType')}/{resource.get('id')}": resource
        for resource in (json.loads(row.line) for row in unnamed.filter(of_all).collect())
    }
    nobody = unnamed.filter(f"not {of_all}").count()
    together = lines.filter("key is not null").select("key", "line").repartition("key").sortWithinPartitions("key")
    reader = ColumnReader(CohortReader(replay.ruleset, replay.code_map, shared, replay.at))
    return together.mapInArrow(_ReadAndDecide(reader, columns), schema), nobody


class _Key:
    """Lines to lines with the key of their patient."""

    def __init__(self, resource_type: str, replay: Replay) -> None:
        self._type = resource_type
        self._mentioned = mentions(replay.code_map)

    def __call__(self, batches: Iterable[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        for batch in batches:
            lines = _frame(batch).rename({"value": "line"}).lazy()
            yield from _batches(keyed_lines(lines, self._type, self._mentioned).collect())


class _Decide:
    """Facts to decisions."""

    def __init__(self, columns: Columns) -> None:
        self._columns = columns

    def __call__(self, batches: Iterable[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        for batch in batches:
            facts, refused = facts_of(self._columns.ruleset, _frame(batch))
            yield from _batches(_whole(self._columns, facts, Tally(refused=refused)))


class _ReadAndDecide:
    """Keyed lines, patient by patient, to decisions."""

    def __init__(self, reader: ColumnReader, columns: Columns) -> None:
        self._reader = reader
        self._columns = columns

    def __call__(self, batches: Iterable[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        for lines in _whole_patients(map(_frame, batches), PART_BYTES):
            cohort = self._reader.read(lines)
            yield from _batches(_whole(self._columns, cohort.table(self._columns.ruleset), Tally.of_reading(cohort)))


def _whole_patients(batches: Iterable[pl.DataFrame], size: int) -> Iterator[pl.DataFrame]:
    """``batches`` of keyed lines put together to some ``size`` bytes each, and cut between patients; one at the least."""
    held = pl.DataFrame(schema={"key": pl.String(), "line": pl.String()})
    for batch in batches:
        held = pl.concat([held, batch])
        if held["line"].str.len_bytes().sum() >= size:
            last = pl.col("key").rle_id() == pl.col("key").rle_id().max()
            yield held.filter(~last)
            held = held.filter(last)
    yield held


class _Count:
    """Decisions, whose columns are called ``names``, to counts, one a batch."""

    def __init__(self, columns: Columns, names: tuple[str, ...]) -> None:
        self._columns = columns
        self._names = names

    def __call__(self, batches: Iterable[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        for batch in batches:
            whole = _frame(batch)
            whole.columns = list(self._names)
            read = whole[REFUSED].drop_nulls()
            whole = whole.filter(pl.col("withheld").is_not_null())
            given = [name for name in whole.columns if name.startswith("given:")]
            facts = whole.select(*KEPT, *(pl.col(name).alias(name.removeprefix("given:")) for name in given))
            tally = Tally.of(self._columns, facts, whole)
            for told in read:
                tally.add(Tally.from_json(json.loads(told)))
            yield pa.RecordBatch.from_pydict({"tally": [json.dumps(tally.as_json())]})


def _whole(columns: Columns, facts: pl.DataFrame, read: Tally) -> pl.DataFrame:
    """The decisions for ``facts``, the facts themselves, and what is known from reading, in the columns of the output."""
    given = [name for name, fact in columns.ruleset.vocabulary.items() if fact.given != "concluded"]
    types = {name: column_type(columns.ruleset.vocabulary[name]) for name in given}
    facts = facts.with_columns(pl.lit(None, types[name]).alias(name) for name in given if name not in facts.columns)
    decided = columns.decide(facts, keep=KEPT)
    whole = pl.concat([decided, facts.select(pl.col(given).name.prefix("given:"))], how="horizontal")
    if whole.is_empty() and (read.refused or read.undated):
        whole = whole.clear(1)
    told = pl.when(pl.int_range(pl.len()) == 0).then(pl.lit(json.dumps(read.as_json())))
    return whole.with_columns(told.alias(REFUSED))


def _spark_schema(columns: Columns, replay: Replay) -> Any:
    from pyspark.sql.pandas.types import from_arrow_schema

    empty = Cohort().table(replay.ruleset)
    return from_arrow_schema(_arrow(_whole(columns, empty, Tally())).schema)


def _frame(batch: pa.RecordBatch) -> pl.DataFrame:
    frame = pl.from_arrow(batch)
    assert isinstance(frame, pl.DataFrame)
    return frame


def _arrow(frame: pl.DataFrame) -> pa.Table:
    """``frame`` in the Arrow types that Spark knows: plain strings in place of codes."""
    plain = frame.with_columns(pl.selectors.enum().cast(pl.String))
    table = plain.to_arrow(compat_level=pl.CompatLevel.oldest())
    fields = [field.with_type(pa.string()) if pa.types.is_large_string(field.type) else field for field in table.schema]
    return table.cast(pa.schema(fields))


def _batches(frame: pl.DataFrame) -> Iterator[pa.RecordBatch]:
    yield from _arrow(frame).to_batches()
