"""``nuque publish``: files a FHIR server can load."""

import base64
import io
import json
import os
import re
import subprocess
import sys
import tarfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from cds.cli import main
from tests.shipped_content import RULESET


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


def test_what_the_conditions_name_stands_beside_the_resources(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["publish", str(tmp_path), "--base", "https://site.example.org/r4"])
    assert result.exit_code == 0, result.output
    (file,) = (tmp_path / "fhirpath").iterdir()
    known: set[str] = set()
    for line in file.read_text(encoding="utf-8").splitlines():
        name, expression = line.split(": ", 1)
        # Texts may hold what looks like a name.
        named = set(re.findall(r"%([a-z][a-z0-9_]*)", re.sub(r"'(?:[^'\\]|\\.)*'", "''", expression)))
        assert named <= known, (name, named - known)
        known.add(name)
    assert "nuque.example.org" not in file.read_text(encoding="utf-8")
    assert known > set(RULESET.vocabulary)


def packed(folder: Path) -> bytes:
    result = CliRunner().invoke(main, ["publish", str(folder), "--package"])
    assert result.exit_code == 0, result.output
    (file,) = folder.iterdir()
    return file.read_bytes()


def test_a_package_is_the_same_bytes_each_time(tmp_path: Path) -> None:
    # A new process, because the order of sets may differ from process to process.
    command = [sys.executable, "-m", "cds", "publish", str(tmp_path / "other"), "--package"]
    subprocess.run(command, check=True, capture_output=True, env=os.environ | {"PYTHONHASHSEED": "7"})
    (other,) = (tmp_path / "other").iterdir()
    assert packed(tmp_path / "one") == other.read_bytes()


def test_a_package_holds_what_the_specification_asks(tmp_path: Path) -> None:
    """FHIR NPM Package Specification, https://hl7.org/fhir/packages.html."""
    with tarfile.open(fileobj=io.BytesIO(packed(tmp_path)), mode="r:gz") as archive:
        names = archive.getnames()
        files = {name: json.loads(archive.extractfile(name).read()) for name in names if name.endswith(".json")}  # type: ignore[union-attr]
    manifest = files.pop("package/package.json")
    assert manifest["fhirVersions"] == ["4.0.1"] and manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    assert re.fullmatch(r"[a-z][a-z0-9-]*(\.[a-z0-9-]+)+", manifest["name"])
    index = {entry["filename"]: entry for entry in files.pop("package/.index.json")["files"]}
    assert {f"package/{name}" for name in index} == set(files)
    for name, entry in index.items():
        resource = files[f"package/{name}"]
        assert (entry["resourceType"], entry["id"], entry["url"]) == (
            resource["resourceType"],
            resource["id"],
            resource["url"],
        )
    guide = next(resource for resource in files.values() if resource["resourceType"] == "ImplementationGuide")
    listed = {resource["reference"]["reference"] for resource in guide["definition"]["resource"]}
    assert listed | {f"ImplementationGuide/{guide['id']}"} == {f"{r['resourceType']}/{r['id']}" for r in files.values()}
    assert guide["packageId"] == manifest["name"] and "package/other/sizing.dmn" in names


def elm(folder: Path, **identifier: str) -> Path:
    file = folder / "library.elm.json"
    file.write_text(json.dumps({"library": {"identifier": identifier}}))
    return file


def test_a_translation_stands_beside_the_source_of_the_library(tmp_path: Path) -> None:
    version = RULESET.version
    translated = elm(tmp_path, id="RigidNeckCollar", version=version)
    result = CliRunner().invoke(main, ["publish", str(tmp_path / "out"), "--elm", str(translated)])
    assert result.exit_code == 0, result.output
    library = json.loads((tmp_path / "out" / "Library" / "rigid-neck-collar.json").read_text(encoding="utf-8"))
    source, translation = library["content"]
    assert (source["contentType"], translation["contentType"]) == ("text/cql", "application/elm+json")
    assert base64.b64decode(translation["data"]) == translated.read_bytes()
    assert base64.b64decode(source["data"]).startswith(f"library \"RigidNeckCollar\" version '{version}'".encode())


@pytest.mark.parametrize("identifier", [{}, {"id": "Another", "version": "0.1.0"}])
def test_a_translation_of_something_else_is_refused(tmp_path: Path, identifier: dict[str, str]) -> None:
    translated = elm(tmp_path, **identifier)
    result = CliRunner().invoke(main, ["publish", str(tmp_path / "out"), "--elm", str(translated)])
    assert result.exit_code == 2 and "--elm" in result.output
    assert not (tmp_path / "out").exists()
