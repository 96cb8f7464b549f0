"""Patients of an export to a table of facts by columns: all of them at once, and one by one only where that is not sure.

A patient goes to the record-by-record reader with all records as soon as one of them has a shape that is not understood
(``cds.cohorts.record_shapes``), or says anything that would be refused, contradicted or repeated. What is left are values
that are used, and values that are stale.
"""

from __future__ import annotations

import math
from collections import Counter
from datetime import UTC, date, timedelta
from decimal import Decimal

import polars as pl
from pydantic_core import from_json

from cds.cohorts.cohort_reader import NO_UNIT, Cohort, CohortReader, fact_types, general_reason
from cds.cohorts.record_shapes import Shape, ShapeReader, as_number, shape_and_slots
from cds.fhir.reading.dates import age_in_years
from cds.fhir.reading.patient import AGE
from cds.fhir.reading.reconciliation import stale
from rules.batch.fact_frame import plausible
from rules.model.units import measured

_MOST_SHAPES = 20_000
"""So many shapes are remembered; one takes about a kilobyte."""

_IDENTITY = r"^[A-Za-z0-9.-]{1,64}$"
_WRITTEN = r'^"[A-Za-z]+"\s*:\s*"(.*)"$'
_NUMBER = r"[\s:](-?[0-9]{1,12}(?:\.[0-9]+)?)$"
_DATE = r"(?:19|20)\d\d-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])"
_TIME = rf"^{_DATE}T(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{{1,6}})?(?:Z|[+-](?:0\d|1[0-4]):[0-5]\d)$"
_WHEN = pl.Datetime("us", "UTC")
_SLOTS = ("identity", "subject", "when", "born", "place")
_SHAPE = {
    "shape": pl.String(),
    "type": pl.String(),
    "texts": pl.UInt32(),
    "numbers": pl.UInt32(),
    **dict.fromkeys(_SLOTS, pl.Int64()),
    "fact": pl.String(),
    "value": pl.Float64(),
    "number": pl.Int64(),
    "unit": pl.String(),
    "running": pl.Boolean(),
    "place_said": pl.String(),
    "moments": pl.List(pl.Int64()),
}


class ColumnReader:
    """Reads what a ``CohortReader`` reads, of all patients at once where their records are plain."""

    def __init__(self, reader: CohortReader) -> None:
        """Read as ``reader`` does, and leave to it what is not plain."""
        self._reader = reader
        self._vocabulary = reader.ruleset.vocabulary
        self._shapes = ShapeReader(reader)
        self._known: dict[str, Shape | None] = {}

    def read(self, lines: pl.DataFrame) -> Cohort:
        """All patients of ``lines`` (``key`` and JSON text ``line``), which stand together patient by patient."""
        if lines.is_empty():
            return Cohort()
        lines = lines.select("key", "line", row=pl.col("key").rle_id())
        records = self._records(lines)
        records = records.join(self._at(records), on="row", how="left", maintain_order="left")
        records = self._valued(records)
        places, facts = _places(records), self._facts(records)
        doubtful = records.select("row", self._doubt()).filter("doubt").select("row")
        doubtful = pl.concat([doubtful, places.filter("doubt").select("row"), facts.filter("doubt").select("row")])
        patients = records.select("row", "key", "at").unique("row", keep="first", maintain_order=True)
        sure = patients.join(doubtful, on="row", how="anti", maintain_order="left")
        found = self._cohort(sure.join(places, on="row", how="left", maintain_order="left"), facts)
        rest = lines.join(doubtful, on="row", how="semi", maintain_order="left")
        found.add(self._reader.read(rest.select("key", "line").iter_rows()))
        return found

    # --- from lines to values ------------------------------------------------------------------------------------------

    def _records(self, lines: pl.DataFrame) -> pl.DataFrame:
        """One row a line: what its shape says of it, and the texts that the shape points to."""
        slots = shape_and_slots(pl.col("line"))
        cut = lines.lazy().select("row", "key", shape=slots.shape, taken=slots.texts, counted=slots.numbers).collect()
        known = self._understood(cut["shape"].unique())
        records = cut.join(known, on="shape", how="left", maintain_order="left").drop("shape")
        texts = [pl.col("taken").list.get(pl.col(name), null_on_oob=True).str.extract(_WRITTEN) for name in _SLOTS]
        number = pl.col("counted").list.get(pl.col("number"), null_on_oob=True).str.extract(_NUMBER)
        whole = (pl.col("taken").list.len() == pl.col("texts")) & (pl.col("counted").list.len() == pl.col("numbers"))
        return records.with_columns(
            *(
                pl.when(pl.col(name).is_not_null()).then(text).alias(f"{name}_text")
                for name, text in zip(_SLOTS, texts, strict=True)
            ),
            number_text=number,
            whole=whole,
        )

    def _understood(self, shapes: pl.Series) -> pl.DataFrame:
        """What is known of ``shapes``, in the columns ``_SHAPE``; shapes that are not understood are left out."""
        if len(self._known) > _MOST_SHAPES:
            self._known.clear()
        found = []
        for shape in shapes:
            if shape not in self._known:
                self._known[shape] = self._shapes.read(shape)
            known = self._known[shape]
            if known is not None:
                found.append({"shape": shape, **known._asdict()})
        return pl.DataFrame(found, schema=_SHAPE)

    def _at(self, records: pl.DataFrame) -> pl.DataFrame:
        """For each ``row`` the moment ``at`` at which the patient is decided; null where that cannot be told here."""
        if self._reader.at is not None:
            return records.select(
                pl.col("row").unique(maintain_order=True), at=pl.lit(self._reader.at.astimezone(UTC), _WHEN)
            )
        taken = records.select("row", time=pl.col("taken").list.gather(pl.col("moments"), null_on_oob=True)).explode(
            "time"
        )
        text = pl.col("time").str.extract(_WRITTEN)
        # A moment of decision in another time zone would make another day of it.
        moment = pl.when(text.str.contains(f"Z$|^{_DATE}$")).then(_moment(text, dates=True))
        moments = taken.select("row", moment=moment, doubt=pl.col("time").is_not_null() & moment.is_null())
        return moments.group_by("row").agg(
            at=pl.when(~pl.col("doubt").any()).then(pl.col("moment").max()),
        )

    def _valued(self, records: pl.DataFrame) -> pl.DataFrame:
        """``records`` with their moment ``recorded``, with ``value`` in the fact's own unit, and with ``age``."""
        at = self._reader.at
        dates = at is None or at.utcoffset() == timedelta(0)
        number = pl.col("number_text").cast(pl.Float64)
        value = pl.when(pl.col("number").is_null()).then("value").when(pl.col("unit").is_null()).then(number)
        keys = ["fact", "unit", "number_text"]
        converted = self._converted(records.filter(pl.col("unit").is_not_null()).select(keys).unique())
        ages = _ages(records.select("born_text", day=self._day()).drop_nulls().unique())
        return (
            records.with_columns(recorded=_moment(pl.col("when_text"), dates=dates), value=value, day=self._day())
            .join(converted, on=keys, how="left", maintain_order="left")
            .join(ages, on=["born_text", "day"], how="left", maintain_order="left")
            .with_columns(value=pl.coalesce("value", "converted"))
        )

    def _day(self) -> pl.Expr:
        """The day of the decision where it is made."""
        at = self._reader.at
        return pl.col("at").dt.date() if at is None else pl.lit(at.date())

    def _converted(self, numbers: pl.DataFrame) -> pl.DataFrame:
        """The table of units: each number as written in its unit, and what the unit library makes of it."""
        found = []
        for fact, unit, number in numbers.drop_nulls().iter_rows():
            target = self._vocabulary[fact].unit
            assert target is not None
            found.append((fact, unit, number, measured(Decimal(repr(from_json(number))), unit, target)))
        types = {**dict.fromkeys(("fact", "unit", "number_text"), pl.String()), "converted": pl.Float64()}
        return pl.DataFrame(found, schema=types, orient="row")

    # --- what is sure --------------------------------------------------------------------------------------------------

    def _doubt(self) -> pl.Expr:
        """Whether a record has something of its own that only the record-by-record reader tells."""
        tolerance = timedelta(minutes=self._reader.code_map.future_tolerance_minutes)
        latest = pl.when(pl.col("type") == "Encounter").then("at").otherwise(pl.col("at") + tolerance)
        dated = pl.col("recorded").is_not_null() & (pl.col("recorded") <= latest)
        owner = pl.coalesce("subject_text", "Patient/" + pl.col("identity_text"))
        undated = pl.col("type") == "Patient"
        over = (pl.col("type") == "Encounter") & ~pl.col("running")
        named = pl.col("place").is_null() | pl.col("place_text").str.contains(r"^[^\\]+$")
        fine = (
            pl.col("whole"),
            pl.col("at").is_not_null(),
            pl.col("identity_text").str.contains(_IDENTITY),
            ~pl.struct("row", "type", "identity_text").is_duplicated(),
            owner == pl.col("key"),
            undated | dated | (over & pl.col("when_text").str.contains(r"^[^\\]+$")),
            pl.col("fact").is_null() | pl.col("value").is_not_null(),
            self._plausible("fact", "value"),
            pl.col("born").is_null() | (pl.col("age").is_not_null() & plausible(self._vocabulary[AGE], pl.col("age"))),
            named,
        )
        return ~pl.all_horizontal(one.fill_null(False) for one in fine).alias("doubt")

    def _plausible(self, fact: str, value: str) -> pl.Expr:
        measured = pl.col("number").is_not_null()
        wrong = [
            (pl.col(fact) == name) & ~plausible(definition, pl.col(value))
            for name, definition in self._vocabulary.items()
            if definition.numeric
        ]
        return ~(measured & pl.any_horizontal(wrong))

    def _facts(self, records: pl.DataFrame) -> pl.DataFrame:
        """The newest value of each ``fact`` of a ``row``; doubt where another of the same moment differs."""
        dated = pl.col("type").is_in(("Patient", "Encounter")).not_()
        said = records.filter(pl.col("fact").is_not_null()).select(
            "row", "fact", "value", "at", recorded=pl.when(dated).then("recorded"), to_its_end=self._to_its_end()
        )
        aged = records.filter(pl.col("age").is_not_null()).select(
            "row",
            pl.lit(AGE).alias("fact"),
            pl.col("age").alias("value"),
            "at",
            recorded=pl.lit(None, _WHEN),
            to_its_end=pl.lit(False),
        )
        facts = pl.concat([said, aged]).sort("row", "fact", "recorded")
        group = ("row", "fact")
        same = pl.all_horizontal(pl.col(name).shift(-1) == pl.col(name) for name in group).fill_null(False)
        tied = same & pl.col("recorded").eq_missing(pl.col("recorded").shift(-1))
        facts = facts.with_columns(
            last=~same, tied=tied & (pl.col("value") != pl.col("value").shift(-1)).fill_null(True)
        )
        # Beside a danger of a whole day another record may be newer, and stale all the same.
        beside = pl.col("to_its_end").any().over(group) & (pl.len().over(group) > 1)
        doubt = pl.col("tied").any().over(group) | beside
        facts = facts.with_columns(doubt=doubt).filter("last").drop("last", "tied")
        return facts.with_columns(doubt=pl.col("doubt") | self._of_an_earlier_injury())

    def _of_an_earlier_injury(self) -> pl.Expr:
        """Whether what a patient's record says of one injury may be about an earlier one than the newest on record."""
        episode = self._reader.code_map.episode
        injury = pl.col("fact").is_in(episode.injuries)
        newest = pl.when(injury).then(pl.col("recorded")).max().over("row")
        counted = (pl.col("fact") == episode.hours).any().over("row")
        before = (pl.col("recorded") < newest).fill_null(False)
        answers, hours = pl.col("fact").is_in(list(episode.answers)), pl.col("fact") == episode.hours
        return (answers & (counted | before)) | (hours & before)

    def _to_its_end(self) -> pl.Expr:
        """Whether a record says a danger and is dated by a day without a time: it is as old as the end of that day."""
        code_map = self._reader.code_map
        dangers = [
            (pl.col("fact") == name) & pl.col("value").is_in([as_number(fact, answer) for answer in answers])
            for name, fact in self._vocabulary.items()
            if fact.stale_after_hours is not None and (answers := code_map.dangers(fact))
        ]
        dated = pl.col("when_text").str.contains(f"^{_DATE}$").fill_null(False)
        return dated & pl.any_horizontal(dangers).fill_null(False)

    # --- from values to a table ------------------------------------------------------------------------------------------

    def _cohort(self, patients: pl.DataFrame, facts: pl.DataFrame) -> Cohort:
        """The cohort of ``patients``, whose values are ``facts``: those that are not stale are used."""
        facts = facts.join(patients.select("row"), on="row", how="semi", maintain_order="left")
        ruleset = self._reader.ruleset
        limits = [(name, ruleset.stale_after_hours(fact)) for name, fact in self._vocabulary.items()]
        limit = pl.DataFrame(limits, schema={"fact": pl.String(), "limit": pl.Float64()}, orient="row")
        lasting = [
            (
                name,
                as_number(fact, answer),
                math.inf if fact.lasting.hours is None else ruleset.usable_for_hours(fact, answer),
            )
            for name, fact in self._vocabulary.items()
            if fact.lasting is not None
            for answer in fact.lasting.answers
        ]
        longer = pl.DataFrame(
            lasting, schema={"fact": pl.String(), "value": pl.Float64(), "longer": pl.Float64()}, orient="row"
        )
        age = (pl.col("at") - pl.col("recorded")).dt.total_microseconds() / 1e6
        age = pl.when("to_its_end").then(age - 86400).otherwise(age)
        old = pl.col("recorded").is_not_null() & pl.col("limit").is_not_null() & (age > pl.col("limit") * 3600)
        facts = (
            facts.join(limit, on="fact", how="left", maintain_order="left")
            .join(longer, on=("fact", "value"), how="left", maintain_order="left")
            .with_columns(limit=pl.coalesce("longer", "limit"))
            .drop("longer")
            .with_columns(old=old)
        )
        refused = facts.filter("old").group_by("fact").agg(pl.col("limit").first(), pl.len())
        wide = facts.filter(~pl.col("old")).pivot("fact", index="row", values="value")
        table = patients.join(wide, on="row", how="left", maintain_order="left")
        columns = [
            pl.col("key").alias("patient"),
            pl.coalesce("place_here", pl.lit(NO_UNIT)).alias("unit"),
            pl.col("at").cast(_WHEN),
            *(_typed(name, kind, table.columns) for name, kind in fact_types(self._reader.ruleset).items()),
        ]
        return Cohort(
            tables=[table.select(columns)],
            refused=Counter(
                {(fact, general_reason(stale(0, hours).text)): count for fact, hours, count in refused.iter_rows()}
            ),
        )


def _typed(name: str, kind: pl.DataType, there: list[str]) -> pl.Expr:
    """The column of the fact ``name``, from numbers (see ``as_number``) to its type."""
    if name not in there:
        return pl.lit(None, kind).alias(name)
    if isinstance(kind, pl.Enum):
        return pl.col(name).cast(pl.UInt32).cat.to(kind)
    return pl.col(name) == 1 if kind == pl.Boolean else pl.col(name)


def _places(records: pl.DataFrame) -> pl.DataFrame:
    """Where each ``row`` with an encounter was last, by the text of its start; doubt where two began last, or two go on."""
    stays = records.filter(pl.col("type") == "Encounter").select(
        "row", "when_text", "running", place_here=pl.coalesce("place_text", "place_said")
    )
    return (
        stays.sort("row", "when_text")
        .group_by("row", maintain_order=True)
        .agg(
            pl.col("place_here").last(),
            doubt=(pl.col("running").sum() > 1) | pl.col("when_text").is_duplicated().any(),
        )
    )


def _moment(text: pl.Expr, *, dates: bool) -> pl.Expr:
    """The moment of a FHIR dateTime; a bare date is its first moment in UTC with ``dates``. Null where it is another."""
    if dates:
        text = pl.when(text.str.contains(f"^{_DATE}$")).then(text + "T00:00:00Z").otherwise(text)
    local = text.str.slice(0, 19).str.to_datetime("%Y-%m-%dT%H:%M:%S", strict=False, time_unit="us", time_zone="UTC")
    fraction = text.str.extract(r"\.(\d{1,6})").str.pad_end(6, "0").cast(pl.Int64).fill_null(0)
    offset = text.str.extract_groups(r"([+-])(\d\d):(\d\d)$")
    sign = pl.when(offset.struct[0] == "-").then(-1).otherwise(1)
    minutes = offset.struct[1].cast(pl.Int64) * 60 + offset.struct[2].cast(pl.Int64)
    exact = local + pl.duration(microseconds=fraction) - pl.duration(minutes=(sign * minutes).fill_null(0))
    return pl.when(text.str.contains(_TIME)).then(exact)


def _ages(born: pl.DataFrame) -> pl.DataFrame:
    """The ``age`` in years on ``day`` of whoever was born on the day ``born_text``; those yet unborn are left out."""
    found = []
    for written, day in born.filter(pl.col("born_text").str.contains(f"^{_DATE}$")).iter_rows():
        try:
            birth = date.fromisoformat(written)
        except ValueError:
            continue
        if birth <= day:
            found.append((written, day, age_in_years(birth, day)))
    return pl.DataFrame(found, schema={"born_text": pl.String(), "day": pl.Date(), "age": pl.Float64()}, orient="row")
