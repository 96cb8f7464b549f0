"""What is done inside Spark with one batch, without Spark: what was refused goes on, and a patient is never cut in two."""

import json
from datetime import UTC, datetime

import polars as pl

from cds.cohorts.cohort_reader import CohortReader
from cds.cohorts.column_reader import ColumnReader
from cds.cohorts.spark_pipeline import _Count, _ReadAndDecide, _whole_patients
from cds.cohorts.summary import Tally, total
from cds.fhir.reading.code_map_loader import load_code_map
from rules.batch.polars_backend import Columns
from tests.cds.hook_calls import observation, patient
from tests.shipped_content import RULESET

COLUMNS = Columns(RULESET)
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def counted(lines, at):
    """The counts of a batch of keyed ``lines`` as they come out of Spark, and the rows that would be written."""
    reader = ColumnReader(CohortReader(RULESET, load_code_map(RULESET), {}, at))
    frame = pl.DataFrame(lines, schema={"key": pl.String(), "line": pl.String()}, orient="row")
    batches = list(_ReadAndDecide(reader, COLUMNS)(frame.to_arrow().to_batches()))
    tallies = list(_Count(COLUMNS, tuple(batches[0].schema.names))(batches))
    found = total(Tally.from_json(json.loads(text)) for one in tallies for text in one.to_pydict()["tally"])
    return found, pl.concat([pl.DataFrame(pl.from_arrow(batch)) for batch in batches])


def test_refusals_of_a_batch_where_nobody_could_be_decided_are_counted():
    """A patient with no dated record, and one whose only line is no JSON: neither can be decided at a last moment."""
    found, rows = counted([("Patient/p1", json.dumps(patient())), ("Patient/p2", "{")], None)
    assert (found.patients, found.undated) == (0, 2)
    assert found.refused == {("no fact recognised", "the line is not JSON"): 1}
    assert rows["patient"].to_list() == [None]
    assert rows["withheld"].to_list() == [None], "the row that run_on_spark leaves out of the decisions"


def test_refusals_beside_a_decided_patient_are_counted_once():
    lines = [("Patient/p1", json.dumps(patient())), ("Patient/p1", json.dumps(observation("neck-height", 66)))]
    found, rows = counted([*lines, ("Patient/p2", "{")], None)
    assert (found.patients, found.undated) == (1, 1)
    assert found.refused == {("no fact recognised", "the line is not JSON"): 1}
    assert rows["patient"].to_list() == ["Patient/p1"]
    assert rows["withheld"].null_count() == 0


def test_nothing_at_all_makes_no_row():
    reader = ColumnReader(CohortReader(RULESET, load_code_map(RULESET), {}, AT))
    assert list(_ReadAndDecide(reader, COLUMNS)([])) == []


def test_lines_are_cut_between_patients():
    """Twenty patients with three lines of ten bytes each, in batches of seven lines; some fifty bytes together."""
    frame = pl.DataFrame({"key": [f"Patient/{n:02}" for n in range(20) for _ in range(3)], "line": ["0123456789"] * 60})
    cut = list(_whole_patients(frame.iter_slices(7), 50))
    assert pl.concat(cut).equals(frame)
    keys = [key for part in cut for key in part["key"].unique()]
    assert len(keys) == len(set(keys)) == 20
    assert max(part.height for part in cut) <= 12 and len(cut) > 5
