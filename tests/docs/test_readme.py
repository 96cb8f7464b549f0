"""The README's promises: its commands run as written, and its links lead somewhere."""

from __future__ import annotations

import re
import subprocess
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
# What installs a wheel is run by .ci/parts/commands, and completion by tests/cds/cli/test_completion.py.
BY_MAKE = re.sub(r"<details><summary>Without make.*?</details>", "", README, flags=re.DOTALL)
COMMANDS = re.findall(r"^\$ (.+)$", BY_MAKE, re.MULTILINE)
LINKS = re.findall(r"\]\(([^)#]+)\)", README)


def run(command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", "-c", command], cwd=ROOT, capture_output=True, text=True, timeout=900)


def test_the_readme_opens_with_the_job_in_one_paragraph():
    title, first, second = README.split("\n\n")[:3]
    assert title == "# Nuque"
    assert "\n" not in first
    assert "FHIR ServiceRequest and CarePlan" in first
    assert second


def test_the_two_commands_are_there():
    assert {"make demo", "make test"} <= set(COMMANDS)


# make test is what runs this very file.
@pytest.mark.parametrize("command", [command for command in COMMANDS if command != "make test"])
def test_a_command_runs_as_written(command):
    done = run(command)
    assert done.returncode == 0, done.stderr
    assert done.stdout
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("link", sorted(set(LINKS)))
def test_a_link_leads_to_a_file(link):
    assert (ROOT / link).is_file()


def test_the_example_size_is_what_comes_out():
    done = run(
        """echo '{"age_years": 40, "neck_height_mm": 61, "neck_circumference_mm": 400}' | .venv/bin/nuque decide -"""
    )
    stated = re.search(r"`(adult H\d G\d)` = (.+?);", README)
    assert stated is not None
    # The table shortens "neck circumference" to "circumference".
    assert f"{stated[1]}: {stated[2]}".replace(" circumference", " neck circumference") in " ".join(done.stdout.split())


def test_the_screen_that_is_shown_is_what_comes_out():
    shown = re.search(r"^\$ (\S*nuque decide \S+03_\S+ .+)\n```\n```text\n(.+?)```", README, re.MULTILINE | re.DOTALL)
    assert shown is not None
    lines = shown[2].splitlines()
    assert len(lines) > 10 and run(f"COLUMNS=100 {shown[1]}").stdout.splitlines()[: len(lines)] == lines


def test_the_first_paragraph_can_be_read_in_one_breath():
    first = README.split("\n\n")[1]
    assert len(first.split()) < 95


def test_make_serve_answers_on_this_machine(tmp_path):
    served = subprocess.Popen(
        ["make", "serve", "ARGS=--port 8765"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    try:
        for _ in range(3600):  # The content is checked first, where no verdict on it came along.
            try:
                with urllib.request.urlopen("http://127.0.0.1:8765/cds-services", timeout=5) as answer:
                    assert b"collar-order-select" in answer.read()
                return
            except OSError:
                assert served.poll() is None, served.stdout.read() if served.stdout else ""
                time.sleep(0.5)
        pytest.fail("no answer within half an hour")
    finally:
        served.terminate()
        served.communicate(timeout=30)
