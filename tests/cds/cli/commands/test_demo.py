"""``nuque demo``: all invented patients decided, explained, and written as valid FHIR."""

from __future__ import annotations

import json
from pathlib import Path

import fhirkit
import pytest
from click.testing import CliRunner

from cds.cli import main
from rules.loading.loader import load_ruleset


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
    assert reached == {name: set(axis.values) for name, axis in load_ruleset().axes.items()}


def test_some_patients_get_no_size_and_the_text_says_why(documents, shown):
    withheld = [document for document in documents if "size_class" not in document["decision"]]
    assert withheld
    assert "none: " in shown[0]


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
