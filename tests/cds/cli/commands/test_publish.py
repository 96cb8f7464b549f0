"""``nuque publish``: files a FHIR server can load."""

import json
from pathlib import Path

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
