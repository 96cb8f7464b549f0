"""Exports of a general-purpose generator of FHIR patients (carebundle, Apache-2.0): written by others, and without a neck.

What it writes is read back here from its own JSON by other means, so this checks our reading against the outside.
"""

import json
from datetime import UTC, date, datetime

import carebundle
import polars as pl
import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.cohorts.pipeline import Replay
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.reader import read
from tests.shipped_content import RULESET

CODES = load_code_map(RULESET)
VISIT = date(2026, 1, 1)
AT = datetime(2026, 1, 1, 18, tzinfo=UTC)
COUNT = 40
LOINC = {"8302-2": "height_cm", "29463-7": "weight_kg", "39156-5": "body_mass_index"}


@pytest.fixture(scope="module")
def cohort():
    return carebundle.generate_cohort(count=COUNT, seed=7, age_range=(5, 95), reference_date=VISIT)


@pytest.fixture(scope="module")
def export(cohort, tmp_path_factory):
    folder = tmp_path_factory.mktemp("generated")
    for kind, lines in carebundle.to_ndjson(cohort).items():
        (folder / f"{kind}.ndjson").write_text(lines, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def replayed(export, tmp_path_factory):
    out = tmp_path_factory.mktemp("replayed") / "out"
    tally = Replay(RULESET, CODES, export, out, AT).run(lambda *_: None)
    return tally, pl.read_parquet(out / "decisions")


def lines_of(folder, kind):
    return [json.loads(line) for line in (folder / f"{kind}.ndjson").read_text().splitlines()]


def stated(folder):
    """Sex, measures and the range of whole years of age of each patient, as the generator wrote them."""
    found = {}
    for patient in lines_of(folder, "Patient"):
        born = date.fromisoformat(patient["birthDate"])
        had_birthday = (VISIT.month, VISIT.day) >= (born.month, born.day)
        years = VISIT.year - born.year - (not had_birthday)
        found[f"Patient/{patient['id']}"] = {"sex": patient["gender"], "years": years}
    for observation in lines_of(folder, "Observation"):
        for coding in observation["code"]["coding"]:
            if coding["code"] in LOINC and "valueQuantity" in observation:
                value = observation["valueQuantity"]["value"]
                found[observation["subject"]["reference"]][LOINC[coding["code"]]] = value
    return found


def test_everything_that_is_there_is_read_as_it_was_written(export, replayed):
    _, rows = replayed
    expected = stated(export)
    assert len(expected) == rows.height == COUNT
    for row in rows.iter_rows(named=True):
        written = expected[row["patient"]]
        assert row["given:sex"] == written["sex"]
        assert int(row["given:age_years"]) == written["years"]
        for name in LOINC.values():
            assert row[f"given:{name}"] == pytest.approx(written[name]), (row["patient"], name)


def test_no_fact_is_found_that_the_generator_does_not_write(replayed):
    _, rows = replayed
    known = {name.removeprefix("given:") for name in rows.columns if name.startswith("given:") and rows[name].count()}
    assert known == {"age_years", "sex", *LOINC.values()}


def test_nobody_is_measured_and_the_summary_says_so(export, replayed, tmp_path):
    tally, rows = replayed
    assert tally.patients == tally.unmeasured == COUNT
    # The generator gives some children the bodies of adults; no child under 12 is so tall (WHO reference 2007, 3 standard
    # deviations above the median of boys of 11 years: about 164 cm, from memory). Nobody else is left without a size.
    grown = {name for name, written in stated(export).items() if written["years"] < 12 and written["height_cm"] > 164}
    assert grown
    assert set(rows.filter(pl.col("confidence").is_null())["patient"]) == grown
    assert set(rows["confidence"].drop_nulls()) == {"assumed"}
    arguments = ["rules", "replay", str(export), "--out", str(tmp_path / "out"), "--at", "2026-01-01T18:00Z"]
    result = CliRunner().invoke(main, [*arguments, "--workers", "1"])
    assert result.exit_code == 0, result.output
    for name in ("summary.txt", "summary.html"):
        said = (tmp_path / "out" / name).read_text()
        assert (
            f"Of {COUNT} patients, 0 (0.0%) have a usable neck height or circumference in millimetres on record."
            in said
        )
        assert "Most have no neck data, so the sizes below rest on stand-ins (age 100.0%, sex 100.0%" in said
        assert "as if a collar had been asked for" in said
        assert "not recorded (encounter class AMB)" in said


def test_two_months_later_what_has_grown_stale_is_refused_and_counted(export, tmp_path):
    late = Replay(RULESET, CODES, export, tmp_path / "out", datetime(2026, 3, 2, tzinfo=UTC))
    assert late.run(lambda *_: None).refused == {
        ("weight_kg", "stale: … old, and the limit is …"): COUNT,
        ("body_mass_index", "stale: … old, and the limit is …"): COUNT,
    }


def test_a_bundle_of_its_own_says_what_its_lines_in_the_export_say(cohort, replayed):
    """A transaction Bundle names its resources by urn:uuid, an export by type and id."""
    _, rows = replayed
    given = [name for name in rows.columns if name.startswith("given:")]
    from_export = sorted(
        tuple((name.removeprefix("given:"), row[name]) for name in sorted(given) if row[name] is not None)
        for row in rows.iter_rows(named=True)
    )
    readings = [read(json.loads(carebundle.to_json(bundle)), RULESET, CODES, AT) for bundle in cohort]
    assert sorted(tuple(sorted((fact.name, fact.value) for fact in one.facts)) for one in readings) == from_export


def test_of_damaged_records_nothing_is_made_up(cohort):
    """The generator damages its own bundles and lists how; each fact is then read as before, or not at all."""
    damage = carebundle.Imperfection(
        missing_field=0.3, duplicate_entry=0.2, unparseable_value=0.3, unknown_code_system=0.2
    )
    lost = refused = 0
    for number, bundle in enumerate(cohort):
        clean = json.loads(carebundle.to_json(bundle))
        dirty, defects = carebundle.inject_defects(clean, damage, seed=number)
        assert defects
        whole = read(clean, RULESET, CODES, AT)
        before = {fact.name: fact.value for fact in whole.facts}
        # Which patient is meant has to be said, because a Patient may be there twice, under another name.
        reading = read(dirty, RULESET, CODES, AT, whole.patient)
        after = {fact.name: fact.value for fact in reading.facts}
        assert after.items() <= before.items()
        lost += len(before) - len(after)
        refused += len(reading.not_used)
    assert lost > COUNT and refused > COUNT / 2
