"""Results of the workbench on pages: made by the commands themselves, and nothing of anybody in them."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from click.testing import CliRunner
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.cli import main
from cds.cohorts.pipeline import Replay
from cds.fhir.reading.code_map_loader import load_code_map
from cds.settings import Settings
from rules.loading.loader import KNOWLEDGE
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

BROWSER = {"Accept": "text/html"}
PATIENTS = {
    "patient": ["mrn-7781", "mrn-7782", "mrn-7783", "mrn-7784", "mrn-7785"],
    "age_years": [40.0, 41.0, 42.0, 0.5, 50.0],
    "bed_rest": [True, False, False, False, False],
    "neck_height_mm": [61.234, 62.345, 82.0, 40.0, None],
    "neck_circumference_mm": [381.234, 399.5, 420.0, 250.0, 380.0],
}


def _written(path: Path, *arguments: str) -> None:
    """What a command prints, as its output is sent into a file."""
    result = CliRunner().invoke(main, ["rules", *arguments, "--json"])
    assert result.exit_code in (0, 1), result.output
    path.write_text(result.stdout, encoding="utf-8")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A map with a cohort, a comparison of two versions, and two files that are neither."""
    base = tmp_path_factory.mktemp("results")
    for name in ("kept", "export"):
        (base / name).mkdir()
    pl.DataFrame(PATIENTS).write_parquet(base / "export" / "facts.parquet")
    Replay(RULESET, load_code_map(RULESET), base / "export", base / "out").run(lambda *_: None)
    _written(base / "kept" / "march.json", "map", "--cohort", str(base / "out"))
    shutil.copytree(KNOWLEDGE, base / "old", ignore=shutil.ignore_patterns("cases"))
    numbers = base / "old" / "parameters.yaml"
    text = numbers.read_text(encoding="utf-8")
    assert text.count("height_edge_h4_mm: {value: 75") == 1
    numbers.write_text(text.replace("height_edge_h4_mm: {value: 75", "height_edge_h4_mm: {value: 78"), encoding="utf-8")
    _written(base / "kept" / "spring.json", "compare", "--against", str(base / "old"), "--generated", "600")
    (base / "kept" / "broken.json").write_text("{", encoding="utf-8")
    (base / "kept" / "other.json").write_text('{"title": "Proofs", "about": "x"}', encoding="utf-8")
    return base / "kept"


@pytest.fixture(scope="module")
def site(folder: Path, store_url: str) -> Iterator[TestClient]:
    with TestClient(create_app(Settings(results=folder))) as client:
        yield client


def _page(client: TestClient, path: str, status: int = 200) -> PageReader:
    answer = client.get(path, headers=BROWSER)
    assert answer.status_code == status
    return PageReader(answer.text)


def test_the_patients_of_a_replay_stand_in_the_picture_of_their_line(site: TestClient) -> None:
    assert _page(site, "/rules/map")["crowd"] == []
    page = _page(site, "/rules/map?cohort=march")
    assert sum(int(text.split()[0]) for text in page["patients"]) == 4
    assert "height 60 to 65 mm, circumference 380 to 400 mm: 1" in page["crowd"]
    assert "height 80 to 85 mm, circumference 420 to 440 mm: 1" in page["crowd"]
    discs = [given for tag, given in page.tags if given.get("class") == "crowd"]
    assert len(discs) == len(page["crowd"]) == 4


def test_nothing_of_anybody_is_in_a_result_or_on_its_page(site: TestClient, folder: Path) -> None:
    told = (folder / "march.json").read_text() + site.get("/rules/map?cohort=march", headers=BROWSER).text
    assert "height 60 to 65 mm" in told
    for own in (*PATIENTS["patient"], "61.234", "62.345", "381.234", "399.5"):
        assert str(own) not in told


def test_other_rules_than_those_of_the_map_are_named(site: TestClient, folder: Path) -> None:
    assert "other rules" not in _page(site, "/rules/map?cohort=march")["cohort"][0]
    text = (folder / "march.json").read_text().replace(RULESET.hash[:12], "0123456789ab")
    (folder / "april.json").write_text(text)
    assert "The map is drawn by other rules than those." in _page(site, "/rules/map?cohort=april")["cohort"][0]


def test_two_versions_stand_side_by_side_with_whose_decision_changes(site: TestClient, folder: Path) -> None:
    result: dict[str, Any] = json.loads((folder / "spring.json").read_text())
    page = _page(site, "/rules/versions")
    assert result["changed"] > 0
    assert page["changed"] == [f"{result['changed']} of {result['patients']} invented patients are decided otherwise."]
    assert RULESET.hash[:12] in page["new"][0] and RULESET.hash[:12] not in page["old"][0]
    assert page["kind"] == [f"{kind[0].upper()}{kind[1:]}: {number}" for kind, number in result["kinds"].items()]
    # The number that changed stands before the rules that read it.
    assert "height_edge_h4_mm" in page["written"][0] and len(page["written"]) > 5 and page["patient"]
    text = site.get("/rules/versions", headers=BROWSER).text
    assert "<td>Value: 78</td><td>Value: 75</td>" in text


def test_what_cannot_be_read_is_listed_with_the_reason(site: TestClient) -> None:
    refused = _page(site, "/rules/versions")["refused"]
    assert any(text.startswith("broken.json: ") for text in refused)
    assert "other.json: neither a comparison nor a map" in refused


@pytest.mark.parametrize("path", ["/rules/map?cohort=none", "/rules/versions?result=../spring"])
def test_a_name_that_is_not_listed_is_not_found(site: TestClient, path: str) -> None:
    assert site.get(path, headers=BROWSER).status_code == 404


def test_without_a_folder_the_page_says_how_to_make_one(client: TestClient) -> None:
    text = client.get("/rules/versions", headers=BROWSER).text
    assert "nuque rules compare" in text and "NUQUE_RESULTS" in text
    assert "Patients of a replay" not in client.get("/rules/map", headers=BROWSER).text
