"""``nuque demo``: all invented patients decided, explained, and written as valid FHIR."""

from __future__ import annotations

import json
from pathlib import Path

import fhirkit
import pytest
from click.testing import CliRunner

from cds.cli import main
from tests.shipped_content import RULESET


@pytest.fixture(scope="module")
def shown(tmp_path_factory) -> tuple[str, Path]:
    out = tmp_path_factory.mktemp("demo")
    done = CliRunner().invoke(main, ["demo", "--out", str(out)])
    assert done.exit_code == 0, done.output
    return done.output, out


@pytest.fixture(scope="module")
def documents(tmp_path_factory) -> list[dict]:
    out = tmp_path_factory.mktemp("demo_json")
    done = CliRunner().invoke(main, ["demo", "--json", "--out", str(out)])
    assert done.exit_code == 0, done.output
    return json.loads(done.output)


def test_at_least_14_patients_each_with_a_line_on_what_it_shows(documents):
    assert len(documents) >= 14
    assert all(document["shows"] for document in documents)


def test_the_text_says_that_the_hospital_is_invented(shown):
    assert "(invented)" in shown[0].splitlines()[-1]


def test_the_patients_reach_every_value_of_every_axis(documents):
    reached: dict[str, set[str]] = {}
    for document in documents:
        for name, axis in document["decision"]["axes"].items():
            reached.setdefault(name, set()).update(axis.get("candidates", []))
    assert reached == {name: set(axis.values) for name, axis in RULESET.axes.items()}


def test_some_patients_get_no_size_and_the_text_says_why(documents, shown):
    withheld = [document for document in documents if "size_class" not in document["decision"]]
    assert withheld
    assert "Unknown Person-11    none" in shown[0] and "The age is not known" in shown[0]


def test_the_table_has_a_line_for_everybody_and_fits_two_screens_of_45_lines(documents, shown):
    lines = shown[0].splitlines()
    assert [line[:2] for line in lines[1 : len(documents) + 1]] == [document["file"][:2] for document in documents]
    assert len(lines) <= 2 * 45
    assert max(len(line) for line in lines if str(shown[1]) not in line) <= 100


def test_one_patient_is_shown_by_number_on_a_screen_and_with_reasons(tmp_path):
    brief, why = (
        CliRunner().invoke(main, ["demo", "13", *more, "--out", str(tmp_path)]).output for more in ([], ["--why"])
    )
    assert "never push it towards neutral" in " ".join(brief.split()) and "sizing.contour.flexed" not in brief
    assert "sizing.contour.flexed [" in why
    assert [path.name for path in tmp_path.iterdir()] == ["13_fixed_flexion.fhir.json"]


def test_a_patient_who_is_not_there_is_refused_with_those_who_are(tmp_path):
    done = CliRunner().invoke(main, ["demo", "99", "--out", str(tmp_path)])
    assert done.exit_code == 2
    assert "no patient 99; there are 01 to 87\n" in done.stderr
    assert not list(tmp_path.iterdir())


def test_every_written_bundle_is_valid_r4(shown):
    # Source: the independent FHIR R4 validator fhirkit-rs.
    written = sorted(shown[1].glob("*.json"))
    assert written
    for path in written:
        issues = [
            issue for issue in fhirkit.validate(path.read_text()) if str(issue.severity).lower().endswith("error")
        ]
        assert not issues, (path, issues)


def test_no_progress_bar_and_no_colour_where_there_is_no_terminal(shown):
    assert "\x1b" not in shown[0]
    assert "Deciding" not in shown[0]


def test_a_folder_without_an_index_is_refused_by_name(tmp_path):
    done = CliRunner().invoke(main, ["demo", "--folder", str(tmp_path)])
    assert done.exit_code == 2
    assert "index.yaml" in done.stderr
