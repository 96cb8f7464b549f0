"""Replay over an export reads what ``cds.fhir.reading.reader`` reads and decides what ``Decider`` decides."""

import json
import os
import re
import subprocess
import sys
from collections import Counter
from datetime import UTC, datetime

import polars as pl
import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.cohorts.bulk_export import Export, slices
from cds.cohorts.cohort_reader import general_reason
from cds.cohorts.errors import ReplayError
from cds.cohorts.pipeline import OutputPart, Replay
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read
from rules.batch.polars_backend import Columns
from rules.deciding.decider import Decider
from rules.evaluation.interpreter import fire
from tests.cds.cohorts.exports import demo_bundles, write_export
from tests.cds.hook_calls import MEASURED, patient
from tests.rules.batch.expected_columns import differing, expected_table
from tests.rules.patients import as_people, population
from tests.shipped_content import RULESET

CODES = load_code_map(RULESET)
AT = datetime(2026, 3, 2, 10, tzinfo=UTC)


def silent(what, done, whole):
    assert done <= whole


def resources_of(bundle):
    return [entry["resource"] for entry in bundle["entry"]]


def replayed(folder, out, **options):
    work = Replay(RULESET, CODES, folder, out, **options)
    return work.run(silent), pl.read_parquet(out / "decisions")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export")
    everything = [resource for bundle in demo_bundles() for resource in resources_of(bundle)]
    return write_export(folder, everything, zipped=frozenset({"Observation"}))


def test_the_demonstration_is_read_and_decided_as_one_by_one(demo, tmp_path):
    tally, rows = replayed(demo, tmp_path / "out", at=AT)
    by_patient = {row["patient"]: row for row in rows.iter_rows(named=True)}
    decider = Decider(RULESET)
    refused = Counter()
    for bundle in demo_bundles():
        reading = read(bundle, RULESET, CODES, AT)
        row = by_patient.pop(reading.patient)
        given = {
            name.removeprefix("given:"): v for name, v in row.items() if name.startswith("given:") and v is not None
        }
        assert given == {fact.name: fact.value for fact in reading.facts}, reading.patient
        decision = decider.decide(reading.facts, AT, reading.not_used)
        assert row["size"] == (decision.size_class.code if decision.size_class else None)
        assert {task.task for task in decision.tasks} == {
            name.removeprefix("task:") for name, words in row.items() if name.startswith("task:") and words is not None
        }
        refused.update((one.fact or "no fact recognised", general_reason(one.reason)) for one in reading.not_used)
    assert by_patient == {}
    assert tally.refused == refused
    assert tally.patients == len(demo_bundles())


@pytest.mark.slow
def test_many_buckets_and_several_processes_give_the_same(demo, tmp_path, monkeypatch):
    one, expected = replayed(demo, tmp_path / "one", at=AT)
    monkeypatch.setattr(Export, "buckets", 7)
    monkeypatch.setattr("cds.cohorts.pipeline.PART_BYTES", 0)
    several, rows = replayed(demo, tmp_path / "several", at=AT, workers=2)
    assert rows.sort("patient").equals(expected.sort("patient"))
    assert several == one


def test_a_bucket_too_large_to_hold_is_read_in_slices_of_whole_patients(tmp_path, monkeypatch):
    """The lines of sixty patients, five each, in slices of at most some kilobytes; one replay reads so, the other at once."""
    records = [patient(), *MEASURED]
    people = [json.loads(json.dumps(records).replace('"p1"', f'"p{n}"').replace("/p1", f"/p{n}")) for n in range(60)]
    folder = write_export(tmp_path / "in", [record for person in people for record in person])
    expected, rows = replayed(folder, tmp_path / "whole", at=AT)
    assert rows.height == len(people)
    monkeypatch.setattr("cds.cohorts.bulk_export._SLICE_BYTES", 10_000)
    export = Export.find(folder)
    monkeypatch.setattr(Export, "buckets", 2)
    assert [file.type for file in export.sort(CODES, tmp_path / "lines")] == ["Observation", "Patient"]
    read = [list(slices(tmp_path / "lines", bucket, 2)) for bucket in range(2)]
    assert all(len(several) > 2 for several in read)
    lines = [Counter(part["key"]) for several in read for part in several]
    assert {count for part in lines for count in part.values()} == {len(records)}
    assert sorted(key for part in lines for key in part) == sorted(f"Patient/p{n}" for n in range(60))
    assert all(part["key"].is_sorted() for several in read for part in several)
    in_slices, same = replayed(folder, tmp_path / "sliced", at=AT)
    assert same.sort("patient").equals(rows.sort("patient"))
    assert in_slices == expected


@pytest.mark.slow
def test_an_interrupted_replay_goes_on_where_it_was(demo, tmp_path, monkeypatch):
    monkeypatch.setattr(Export, "buckets", 5)
    monkeypatch.setattr("cds.cohorts.pipeline.PART_BYTES", 0)
    whole, expected = replayed(demo, tmp_path / "whole", at=AT)
    work = Replay(RULESET, CODES, demo, tmp_path / "out", AT)

    def stop_after_two(what, done, of):
        if what == "deciding" and done == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work.run(stop_after_two)
    kept = {
        n: OutputPart(work.out, n).decisions.stat().st_mtime_ns for n in range(5) if OutputPart(work.out, n).finished
    }
    assert len(kept) == 2
    assert work.run(silent) == whole
    assert {n: OutputPart(work.out, n).decisions.stat().st_mtime_ns for n in kept} == kept
    assert pl.read_parquet(work.out / "decisions").sort("patient").equals(expected.sort("patient"))
    assert work.run(silent) == whole


def test_another_process_goes_on_with_the_same_replay(demo, tmp_path):
    """Sets are in another order in every process; here each has a seed of its own for that."""
    for seed in ("1", "2"):
        command = [sys.executable, "-c", "from cds.cli import main; main()", "rules", "replay", str(demo)]
        done = subprocess.run(
            [*command, "--out", str(tmp_path / "out"), "--workers", "1"],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        written = [path.stat().st_mtime_ns for path in sorted((tmp_path / "out" / "decisions").iterdir())]
        if seed == "1":
            first = written
    assert written == first


def test_a_mark_that_is_damaged_is_named(demo, tmp_path):
    replayed(demo, tmp_path / "out", at=AT)
    for content in ("{", "{}", "[]"):
        (tmp_path / "out" / "replay.json").write_text(content)
        with pytest.raises(ReplayError, match=r"replay\.json: is damaged"):
            replayed(demo, tmp_path / "out", at=AT)


def test_folders_that_would_be_mistaken_are_refused(tmp_path):
    folder = write_export(tmp_path / "in", [{"resourceType": "Patient", "id": "1", "birthDate": "1980-01-01"}])
    with pytest.raises(ReplayError, match="lies in the folder that is read"):
        replayed(folder, folder / "out", at=AT)
    pl.DataFrame({"age_years": [40.0]}).write_parquet(folder / "facts.parquet")
    with pytest.raises(ReplayError, match="holds Parquet and NDJSON"):
        replayed(folder, tmp_path / "out", at=AT)
    (folder / "Patient.ndjson").unlink()
    (folder / "facts.parquet").write_bytes(b"no table")
    with pytest.raises(ReplayError, match=r"facts\.parquet: cannot be read as Parquet"):
        replayed(folder, tmp_path / "out", at=AT)


def test_another_replay_is_not_mixed_in(demo, tmp_path):
    replayed(demo, tmp_path / "out", at=AT)
    with pytest.raises(ReplayError, match="holds another replay"):
        replayed(demo, tmp_path / "out", at=None)


def test_a_folder_with_nothing_to_read_is_refused(tmp_path):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "MedicationRequest.ndjson").write_text("{}\n")
    with pytest.raises(ReplayError, match=r"expected names such as Patient\.ndjson"):
        replayed(tmp_path / "in", tmp_path / "out")


def test_lines_that_are_broken_or_name_nobody_are_counted(tmp_path):
    folder = tmp_path / "in"
    folder.mkdir()
    good = {"resourceType": "Patient", "id": "1", "birthDate": "1980-01-01"}
    orphan = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": CODES.own_facts, "code": "neck-height"}]},
    }
    (folder / "Patient.ndjson").write_text(json.dumps(good) + "\n\n")
    (folder / "Observation.ndjson").write_text(json.dumps(orphan) + '\n{"code": "neck-height"\n')
    tally, rows = replayed(folder, tmp_path / "out", at=AT)
    assert rows["patient"].to_list() == ["Patient/1"]
    assert tally.refused["no fact recognised", "does not say whose record it is"] == 2


def test_without_a_moment_each_patient_is_decided_at_the_last_record(tmp_path):
    patient = {"resourceType": "Patient", "id": "1", "birthDate": "2000-01-01"}
    undated = {"resourceType": "Patient", "id": "2", "birthDate": "2000-01-01"}
    stays = [
        {
            "resourceType": "Encounter",
            "id": year,
            "status": "finished",
            "subject": {"reference": "Patient/1"},
            "serviceProvider": {"display": f"House {year}"},
            "period": {"start": f"{year}-01-01T00:00:00Z"},
        }
        for year in ("2010", "2020")
    ]
    tally, rows = replayed(write_export(tmp_path / "in", [patient, undated, *stays]), tmp_path / "out")
    assert rows.select("patient", "unit", "given:age_years").rows() == [("Patient/1", "House 2020", 20.0)]
    assert tally.undated == 1
    assert list(tally.groups["month"]) == ["2020-01"]


@pytest.mark.slow
def test_parquet_of_facts_is_replayed_and_bad_values_are_refused(tmp_path):
    table = population(RULESET, 2000, seed=3).with_columns(age_years=pl.lit(200.0), unit=pl.lit("Ward A"))
    (tmp_path / "in").mkdir()
    table.write_parquet(tmp_path / "in" / "facts.parquet")
    tally, rows = replayed(tmp_path / "in", tmp_path / "out")
    assert tally.refused == {("age_years", "implausible"): 2000}
    assert tally.groups["unit"].keys() == {"Ward A"}
    firings = [fire(RULESET, facts) for facts in as_people(table.drop("age_years", "unit"))]
    assert differing(rows, expected_table(RULESET, firings, Columns(RULESET))) == []


def test_the_command_writes_a_summary_that_says_plainly_what_is_missing(demo, tmp_path):
    patients = [
        {"resourceType": "Patient", "id": str(n), "birthDate": "1970-01-01", "gender": "male"} for n in range(20)
    ]
    folder = write_export(tmp_path / "in", patients)
    out = tmp_path / "out"
    arguments = ["rules", "replay", str(folder), "--out", str(out), "--at", "2026-01-31T10:00Z", "--workers", "1"]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    assert "20 patients decided" in result.output
    text = (out / "summary.txt").read_text()
    assert "Of 20 patients, 0 (0.0%) have a usable neck height or circumference" in text
    assert "Most have no neck data" in text
    assert json.loads((out / "summary.json").read_text())["unmeasured"] == 20
    assert "Most have no neck data" in (out / "summary.html").read_text()


def test_the_summary_shows_sizes_by_unit_and_over_time(tmp_path):
    """Three units and three months, with sizes that differ between them."""
    rows = [
        {
            "age_years": age,
            "sex": "male",
            "neck_height_mm": height,
            "neck_circumference_mm": 380.0,
            "head_position": "neutral",
            "bed_rest": False,
            "height_cm": None if age else 110.0,  # Without an age, the body says that it may be a child's.
            "unit": unit,
            "at": at,
        }
        for unit, height, age in (
            ("Spine ward", 50.0, 40.0),
            ("Resuscitation", None, 40.0),
            ("Children's ward", None, None),
        )
        for month in (1, 2, 3)
        for at in [datetime(2026, month, 5, tzinfo=UTC)] * month
    ]
    (tmp_path / "in").mkdir()
    pl.DataFrame(rows).write_parquet(tmp_path / "in" / "facts.parquet")
    result = CliRunner().invoke(main, ["rules", "replay", str(tmp_path / "in"), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    data = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert data["groups"]["unit"]["Spine ward"] == {"measured": 6}
    assert data["groups"]["unit"]["Children's ward"] == {"withheld": 6}
    assert data["sizes"]["unit"]["Spine ward"] == {"adult H2 G2": 6}
    assert {month: sum(counts.values()) for month, counts in data["sizes"]["month"].items()} == {
        "2026-01": 3,
        "2026-02": 6,
        "2026-03": 9,
    }
    text = (tmp_path / "out" / "summary.txt").read_text()
    assert re.search(r"Spine ward +6 +adult H2 G2 100.0%", text)
    assert re.search(r"2026-03 +9 +33.3% +0.0% +33.3% +33.3%", text)
    page = (tmp_path / "out" / "summary.html").read_text()
    assert "<title>Spine ward: 6 measured</title>" in page and "<title>2026-03: 3 no size</title>" in page


@pytest.mark.parametrize(
    ("reason", "general"),
    [
        (
            "stale: 2 months old, and the limit is 30 days; 2 older values not listed",
            "stale: … old, and the limit is …",
        ),
        (
            "status is entered-in-error; the older value Mrs. Smith's neck (351 mm) (Observation/7) is used instead",
            "status is entered-in-error; the older value … (another record) is used instead",
        ),
        (
            "contradicts 70 kg (Observation/12) of the same moment; none is used",
            "contradicts … (another record) of the same moment; none is used",
        ),
    ],
)
def test_a_reason_that_is_counted_quotes_no_record(reason, general):
    assert general_reason(reason) == general
