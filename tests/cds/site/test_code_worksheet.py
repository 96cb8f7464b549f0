"""The worksheet names every fact that rules read and every outside code, once; what a site maps is no longer missing."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.fhir.reading.code_map_loader import load_code_map
from cds.site.code_worksheet import HEADS, STATUS_WORDS, missing, worksheet
from tests.shipped_content import RULESET

SITE = """
systems: {ours: ["https://records.example.org/codes"]}
facts:
  - {system: ours, code: TRACHY, fact: tracheostomy, value: true}
  - {system: loinc, code: 56074-2, fact: neck_circumference_mm, display: Neck circumference}
collars: [{system: ours, code: COLLAR}]
collar_texts: [Neck protection level 2]
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "codes.yaml"
    path.write_text(SITE)
    return path


def test_every_fact_that_rules_read_stands_in_it_most_read_first() -> None:
    rows = [row for row in worksheet(RULESET, load_code_map(RULESET)) if row.kind == "fact"]
    read = {name for name in RULESET.facts_read if RULESET.vocabulary[name].given != "concluded"}
    assert {row.name for row in rows} == read
    assert len(read) > 100
    assert [row.rules for row in rows] == sorted((row.rules for row in rows), reverse=True)
    assert all(row.our_code and row.meaning for row in rows)


def test_every_outside_code_stands_in_it_with_its_mark() -> None:
    code_map = load_code_map(RULESET)
    rows = worksheet(RULESET, code_map)
    marks = {(row.system, row.code): row.status for row in rows if row.code}
    assert marks["http://snomed.info/sct", "420236007"] == "read"
    assert marks["http://loinc.org", "56074-2"] == "confirm"
    assert marks["http://hl7.org/fhir/sid/icd-10", "S12*"] == "confirm"
    outside = [
        key.code
        for key, said in code_map.exact.items()
        if key.system != code_map.own_facts and said[0].fact in RULESET.facts_read
    ]
    assert set(outside) <= {code for _, code in marks}
    assert {row.status for row in rows} == {"read", "confirm", "none"}


def test_what_a_site_maps_is_its_own_and_no_longer_missing(site: Path) -> None:
    before, after = (worksheet(RULESET, load_code_map(RULESET, files)) for files in ([], [site]))
    yours = {(row.name, row.code or row.display) for row in after if row.status == "yours"}
    assert yours == {
        ("tracheostomy", "TRACHY"),
        ("neck_circumference_mm", "56074-2"),
        ("collar order", "COLLAR"),
        ("collar order", "neck protection level 2"),
    }
    confirm = [sum(row.status == "confirm" for row in rows) for rows in (before, after)]
    assert confirm[1] == confirm[0] - 1
    assert all(str(count) in " ".join(missing(rows)) for count, rows in zip(confirm, (before, after), strict=True))


def test_the_command_writes_csv_and_says_what_is_missing(site: Path, tmp_path: Path) -> None:
    out = tmp_path / "worksheet.csv"
    ran = CliRunner().invoke(main, ["codes", "worksheet", "--code-map", str(site), "-o", str(out)])
    assert ran.exit_code == 0, ran.output
    assert "have no code but ours" in ran.stderr
    assert "from memory: confirm them" in ran.stderr
    with out.open(newline="", encoding="utf-8") as file:
        head, *lines = csv.reader(file)
    assert tuple(head) == HEADS
    assert {len(line) for line in lines} == {len(HEADS)}
    assert {line[HEADS.index("what to do")] for line in lines} == set(STATUS_WORDS.values())


def test_a_worksheet_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    ran = CliRunner().invoke(main, ["codes", "worksheet", "-o", str(tmp_path / "no" / "where.csv")])
    assert ran.exit_code != 0
    assert "cannot be written" in ran.output
