"""``nuque publish``: files a FHIR server can load."""

import json
from pathlib import Path
from xml.etree import ElementTree

from click.testing import CliRunner

from cds.cli import main


def test_each_artefact_becomes_a_file_under_its_type_and_id(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["publish", str(tmp_path), "--base", "https://site.example.org/r4"])
    assert result.exit_code == 0, result.output
    files = list(tmp_path.rglob("*.json"))
    assert f"{len(files)} resources" in result.output
    for file in files:
        resource = json.loads(file.read_text(encoding="utf-8"))
        assert resource["resourceType"] == file.parent.name
        assert resource["url"] == f"https://site.example.org/r4/{file.parent.name}/{file.stem}"
        assert "nuque.example.org" not in file.read_text(encoding="utf-8")


def test_a_base_that_is_no_url_is_refused_with_what_is_wanted(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["publish", str(tmp_path), "--base", "nuque"])
    assert result.exit_code == 2
    assert "must be an http(s) URL" in result.output
    assert list(tmp_path.iterdir()) == []


def test_the_decision_models_stand_beside_the_resources(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["publish", str(tmp_path), "--base", "https://site.example.org/r4"])
    assert result.exit_code == 0, result.output
    models = {file.stem: ElementTree.parse(file).getroot() for file in (tmp_path / "dmn").iterdir()}
    assert set(models) == {"sizing", "need", "skin-inspection", "people"}
    for name, root in models.items():
        assert root.tag == "{https://www.omg.org/spec/DMN/20191111/MODEL/}definitions"
        assert root.get("namespace") == f"https://site.example.org/r4/dmn/{name}"
