"""docs/integrators.md is run as written, against a real server process; each answer shown there must come."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from cds.fhir.reading.code_map_loader import load_code_map
from cds.site.catalogue import Catalogue
from rules.deciding.decider import Decider
from tests.cds.faults.transaction_server import TransactionServer
from tests.cds.live_service import ROOT, running
from tests.shipped_content import RULESET

EHR = "http://127.0.0.1:8080/fhir"
PAGE = (ROOT / "docs" / "integrators.md").read_text()
BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```$", PAGE, re.M | re.S)


SITE_FILES = [text for language, text in BLOCKS if language == "yaml"]


def conversation() -> list[tuple[str, str]]:
    """Each command block with the answer that is shown under it (empty where none is)."""
    steps: list[tuple[str, str]] = []
    for language, text in BLOCKS:
        if language == "bash":
            steps.append((text, ""))
        elif language == "text":
            steps[-1] = (steps[-1][0], text)
    return steps


def need(*tools: str) -> None:
    for tool in tools:
        if shutil.which(tool) is None:
            if os.environ.get("CI"):
                pytest.fail(f"CI must not skip this: apt-get install {tool}")
            pytest.skip(f"needs {tool}")


@pytest.mark.slow
def test_the_conversation_is_as_shown(tmp_path: Path) -> None:
    need("curl", "jq", "node")
    mark = "-- end of block --"
    script = f"\necho '{mark}'\n".join(["set -euo pipefail", *(command for command, _ in conversation())])
    with (
        running(NUQUE_STORE_URL=f"sqlite:///{tmp_path / 'store.sqlite3'}") as live,
        TransactionServer.started() as fhir,
    ):
        script = script.replace("http://127.0.0.1:8000", live.url).replace(EHR, fhir.url)
        ran = subprocess.run(["bash", "-c", script], cwd=tmp_path, capture_output=True, text=True, timeout=120)
        assert ran.returncode == 0, ran.stderr
        answers = [part.strip() for part in ran.stdout.split(mark)[1:]]
        for answer, (command, shown) in zip(answers, conversation(), strict=True):
            assert answer == shown.strip(), command
        accepted = [each["resourceType"] for each in fhir.stored]
        assert {"ServiceRequest", "DeviceRequest", "CarePlan"} == set(accepted)
        for number, (language, command) in enumerate([("python", sys.executable), ("javascript", "node")], 2):
            (program,) = [text for name, text in BLOCKS if name == language]
            file = tmp_path / f"accept.{'py' if language == 'python' else 'mjs'}"
            file.write_text(program.replace(EHR, fhir.url))
            ran = subprocess.run([command, file], cwd=tmp_path, capture_output=True, text=True, timeout=120)
            assert (ran.returncode, ran.stdout.strip().lower()) == (0, "true"), ran.stderr
            assert [each["resourceType"] for each in fhir.stored] == accepted * number, "each stores what curl stored"


def test_the_code_map_shown_can_be_used(tmp_path: Path) -> None:
    path = tmp_path / "codes.yaml"
    path.write_text(SITE_FILES[1])
    code_map = load_code_map(RULESET, [path])
    coded = {"coding": [{"system": "https://hollowmere.example.org/codes", "code": "COLLAR-RIGID"}]}
    assert code_map.is_collar_order({"resourceType": "ServiceRequest", "code": coded})
    assert code_map.is_collar_order({"resourceType": "ServiceRequest", "code": {"text": "Neck protection level 2"}})


def test_the_catalogue_shown_can_be_used(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.yaml"
    path.write_text(SITE_FILES[0])
    facts = {"age_years": 41, "neck_height_mm": 66, "neck_circumference_mm": 380}
    decision = Decider(RULESET).decide(facts, datetime(2026, 1, 31, tzinfo=UTC))
    assert [item.item for item in Catalogue.load(path, RULESET).fitting(decision).items] == ["HM-222"]


@pytest.mark.parametrize("status", ["400", "404", "412", "415", "422", "503"])
def test_every_refusal_is_described(status: str) -> None:
    assert f"\n| {status} | " in PAGE
