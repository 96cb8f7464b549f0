"""Reading by columns gives what reading record by record gives: facts, refusals and moments, on plain and on damaged records."""

import json
from collections import Counter
from datetime import UTC, datetime, timedelta, timezone
from random import Random

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from cds.cohorts import column_reader
from cds.cohorts.bulk_export import keyed_lines
from cds.cohorts.cohort_reader import CohortReader
from cds.cohorts.column_reader import ColumnReader
from cds.cohorts.ndjson import mentions
from cds.fhir.reading.code_map_loader import load_code_map
from rules.model.units import measured
from tests.cds.cohorts.damaged_records import (
    DAMAGES,
    LINE_DAMAGES,
    PERSON_DAMAGES,
    STAY_DAMAGES,
    damaged_lines,
    plain_patients,
)
from tests.cds.hook_calls import observation, patient
from tests.shipped_content import RULESET

CODES = load_code_map(RULESET)
MENTIONED = mentions(CODES)
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
MOMENTS = [AT, AT.astimezone(timezone(timedelta(hours=-5))), None]
"""In UTC, elsewhere, and for each patient the last moment on record."""


def keyed(lines):
    """The ``lines`` as an export hands them on: with the key of the patient, patient by patient."""
    frames = []
    for kind in ("Patient", "Encounter", "Observation", "Condition"):
        own = [line for line in lines if f'"{kind}"' in line]
        table = pl.LazyFrame({"line": own}, schema={"line": pl.String()})
        frames.append(keyed_lines(table, kind, MENTIONED).select("key", "line").collect())
    return pl.concat(frames).drop_nulls("key").sort("key", maintain_order=True)


def read_both_ways(lines, at=AT):
    """What the two readers make of ``lines``, as long as it is the same."""
    reader = CohortReader(RULESET, CODES, {}, at)
    one_by_one, by_columns = reader.read(lines.iter_rows()), ColumnReader(reader).read(lines)
    assert_frame_equal(by_columns.table(RULESET), one_by_one.table(RULESET), check_exact=True)
    assert by_columns.refused == one_by_one.refused
    assert by_columns.undated == one_by_one.undated
    return by_columns


@pytest.fixture(scope="module")
def plain():
    return list(plain_patients(RULESET, 200, seed=11))


@pytest.mark.parametrize("at", MOMENTS)
def test_plain_records_are_read_by_columns_and_mean_the_same(plain, at):
    lines = keyed([json.dumps(record) for records in plain for record in records])
    ways = read_both_ways(lines, at).ways()
    assert ways["columns"] > (len(plain) / 2 if at else len(plain) / 10), ways
    assert ways.total() == len(plain)


@pytest.mark.parametrize("at", MOMENTS)
def test_damaged_records_are_refused_alike(plain, at):
    """Each damage is done to several patients, each of whom has one."""
    random = Random(5)
    names = [*DAMAGES, *LINE_DAMAGES]
    several = [damaged_lines(records, names[n % len(names)], random) for n, records in enumerate(plain)]
    found = read_both_ways(keyed([line for lines in several for line in lines]), at)
    ways = found.ways()
    assert ways["columns"] > 0 and ways["records"] > 0
    assert len(found.refused) > 20


def whose(lines, change, kind):
    for line in lines:
        record = json.loads(line)
        if record["resourceType"] == kind:
            change(record)
        yield json.dumps(record)


@pytest.mark.parametrize("at", MOMENTS)
@pytest.mark.parametrize(("damages", "kind"), [(PERSON_DAMAGES, "Patient"), (STAY_DAMAGES, "Encounter")])
def test_damaged_patients_and_encounters_are_read_alike(plain, damages, kind, at):
    ways = Counter()
    for place, change in enumerate(damages.values()):
        records = [json.dumps(record) for records in plain[place :: len(damages)] for record in records]
        ways += read_both_ways(keyed(list(whose(records, change, kind))), at).ways()
    assert ways["columns"] > 0 and ways["records"] > 0


UNITS = ("mm", "cm", "m", "um", "[in_i]", "[ft_i]", "[in_us]", "{finger}", "{fingers}", "kg", "s", "")
NUMBERS = st.one_of(
    st.integers(-5, 2000), st.floats(0, 2000, allow_nan=False), st.decimals(0, 999, places=3).map(float)
)


@given(st.lists(st.tuples(NUMBERS, st.sampled_from(UNITS)), min_size=1, max_size=30))
def test_every_number_in_every_unit_is_the_same_to_the_last_bit(measures):
    lines = []
    for number, (value, unit) in enumerate(measures):
        record = observation("neck-height", 1)
        record["valueQuantity"] |= {"value": value, "code": unit, "unit": unit}
        lines.append(json.dumps(record).replace("Patient/p1", f"Patient/{number}"))
    read_both_ways(keyed(lines))


def test_who_was_read_which_way_is_counted():
    """One patient is plain; of the other one value of two is refused, so both are read one by one."""
    plain = [patient(), observation("neck-height", 66)]
    odd = [observation("neck-height", 66, status="entered-in-error"), observation("neck-circumference", 380)]
    lines = [json.dumps(record) for record in plain]
    lines += [json.dumps(record).replace("Patient/p1", "Patient/p2") for record in odd]
    found = read_both_ways(keyed(lines))
    assert found.ways() == {"columns": 1, "records": 1}
    assert [row["patient"] for row in found.rows] == ["Patient/p2"]


def test_a_stale_value_is_refused_by_columns_too():
    old = [patient(), observation("neck-height", 66, time="2019-01-01T00:00:00Z"), observation("bed-rest", True)]
    found = read_both_ways(keyed([json.dumps(record) for record in old]))
    assert found.ways()["columns"] == 1
    assert found.refused == {("neck_height_mm", "stale: … old, and the limit is …"): 1}


def test_no_patients_are_read_as_none():
    assert read_both_ways(keyed([])).ways().total() == 0


WRONG = {
    "the table of units": ("measured", lambda number, unit, target: measured(number, unit, target) * (1 + 1e-15)),
    "the age": ("age_in_years", lambda birth, on: float(on.year - birth.year)),
    "what is plausible": ("plausible", lambda fact, number: number.is_not_null()),
    "the type of a column": ("_typed", lambda name, kind, there: pl.lit(None, kind).alias(name)),
    "what is newer": ("_moment", lambda text, dates: pl.lit(BETWEEN) + (pl.lit(BETWEEN) - _MOMENT(text, dates=dates))),
    "where it was": ("_places", lambda records: _PLACES(records).with_columns(place_here=pl.lit("Ward 9"))),
}
BETWEEN = datetime(2026, 1, 28, tzinfo=UTC)
"""Between the older and the newer value of each fact."""
_PLACES, _MOMENT = column_reader._places, column_reader._moment


@pytest.mark.parametrize("what", WRONG)
def test_a_wrong_column_would_be_seen(plain, monkeypatch, what):
    name, wrong = WRONG[what]
    monkeypatch.setattr(column_reader, name, wrong)
    random = Random(6)
    several = [damaged_lines(records, ["nothing", "implausible"][n % 2], random) for n, records in enumerate(plain)]
    with pytest.raises(AssertionError):
        read_both_ways(keyed([line for lines in several for line in lines]))


def test_a_record_that_is_plain_but_for_one_thing_is_not_taken_for_plain(monkeypatch, plain):
    """Without the doubts about single records, damage would go through: what the doubts are for."""
    monkeypatch.setattr(ColumnReader, "_doubt", lambda self: pl.lit(False).alias("doubt"))
    random = Random(5)
    with pytest.raises((AssertionError, pl.exceptions.PolarsError)):
        read_both_ways(keyed([line for records in plain for line in damaged_lines(records, "future", random)]))


ICD = "http://hl7.org/fhir/sid/icd-10-cm"


@pytest.mark.parametrize(
    "told",
    [
        {"recordedDate": "2019-06-01T09:00:00Z", "category": [{"coding": [{"code": "encounter-diagnosis"}]}]},
        {"recordedDate": "2026-01-31T09:00:00Z", "onsetDateTime": "2001-05-01"},
        {"recordedDate": "2026-01-31T09:00:00Z"},
    ],
)
@pytest.mark.parametrize("code", ["S12.9XXA", "G82.50", "W19.XXXA", "S12.110S", "J95.01"])
def test_a_diagnosis_that_grows_old_is_read_alike(told, code):
    """By its onset and its category, which no shape holds; what is left of an injury; a code of several facts."""
    subject = {"reference": "Patient/p1"}
    condition = {
        "resourceType": "Condition",
        "id": "c1",
        "subject": subject,
        "code": {"coding": [{"system": ICD, "code": code}]},
    }
    read_both_ways(keyed([json.dumps(patient()), json.dumps(condition | told)]))


@pytest.mark.parametrize("status", ["in-progress", "In-Progress", "unknown"])
def test_the_reason_of_an_encounter_that_runs_or_may_is_listed_alike(status):
    act = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
    stay = {"resourceType": "Encounter", "id": "e1", "status": status, "subject": {"reference": "Patient/p1"}}
    stay |= {"class": {"system": act, "code": "EMER"}, "period": {"start": "2026-01-31T09:00:00Z"}}
    found = read_both_ways(
        keyed([json.dumps(patient()), json.dumps(stay | {"reasonCode": [{"text": "Stab wound neck"}]})])
    )
    assert "the reason of an encounter" in " ".join(reason for _, reason in found.refused)
