"""What the package promises before any clinical rule: versions, layout, locks, and clean text."""

import re
import subprocess
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest

import cds
import rules

ROOT = Path(__file__).resolve().parent.parent
LOCKS = sorted((ROOT / ".requirements").glob("*.txt"))
ALLOWED_AT_TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "cds",
    "rules",
    "tests",
    "demo_bundles",
    "docs",
    "Makefile",
    "LICENSE",
}
# Put together here so that this file passes its own check.
REGISTRY_HOSTS = [
    "pypi" + ".org",
    "files.python" + "hosted.org",
    "registry.npm" + "js.org",
    "deb.debian" + ".org",
    "proxy.golang" + ".org",
    "conda.anaconda" + ".org",
]
SHARED_FOLDERS = [".." + "/shared", "/work" + "/"]


def tracked_files() -> list[Path]:
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True)
    # A file that is deleted but not yet committed is still listed.
    return [path for name in listing.stdout.split("\0") if name and (path := ROOT / name).is_file()]


def locked(path: Path) -> dict[str, list[str]]:
    """Map each 'name==version' of a lock file to its hashes."""
    pins: dict[str, list[str]] = {}
    for line in path.read_text().replace("\\\n", " ").splitlines():
        if line.strip() and not line.startswith("#"):
            requirement = line.split("--hash=")[0].split(";")[0].strip()
            pins[requirement] = re.findall(r"--hash=sha256:([0-9a-f]{64})(?![0-9a-f])", line)
    return pins


def test_both_packages_and_the_installed_distribution_carry_one_version() -> None:
    # Packaging tools normalise the version (PEP 440); ours is written in the normal form already.
    assert rules.__version__ == cds.__version__ == version("nuque")


def test_the_console_command_is_the_click_group_of_cds() -> None:
    (command,) = [ep for ep in entry_points(group="console_scripts") if ep.name == "nuque"]
    assert command.value == "cds.cli:main"
    assert callable(command.load())


def test_the_top_level_holds_only_the_allowed_names() -> None:
    top = {path.relative_to(ROOT).parts[0] for path in tracked_files()}
    assert {name for name in top if not name.startswith(".")} <= ALLOWED_AT_TOP


def test_rules_never_imports_cds_nor_anything_of_fhir_or_http() -> None:
    forbidden = re.compile(
        r"^\s*(?:import|from)\s+(cds|fhir|fastapi|starlette|httpx|uvicorn|sqlalchemy)\b", re.M
    )
    offenders = {
        str(path.relative_to(ROOT)): forbidden.findall(path.read_text())
        for path in (ROOT / "rules").rglob("*.py")
        if forbidden.search(path.read_text())
    }
    assert offenders == {}


def test_no_module_is_a_drawer_for_leftovers() -> None:
    drawers = {"utils", "util", "common", "helpers", "misc"}
    assert [p for p in tracked_files() if p.suffix == ".py" and drawers & {p.stem, *p.parent.parts}] == []


def test_there_are_lock_files() -> None:
    assert {path.name for path in LOCKS} == {"run.txt", "dev.txt", "spark.txt"}


@pytest.mark.parametrize("path", LOCKS, ids=lambda path: path.name)
def test_each_pin_is_exact_and_has_hashes(path: Path) -> None:
    pins = locked(path)
    assert pins
    inexact = [pin for pin in pins if not re.fullmatch(r"[A-Za-z0-9._-]+(\[[a-z,]+\])?==\S+", pin)]
    assert inexact == []
    assert [pin for pin, hashes in pins.items() if not hashes] == []


@pytest.mark.parametrize("path", LOCKS, ids=lambda path: path.name)
def test_no_lock_file_holds_an_address(path: Path) -> None:
    text = path.read_text()
    assert "://" not in text
    assert not re.search(
        r"^\s*(-i|-f|--index-url|--extra-index-url|--find-links|--trusted-host)\b", text, re.M
    )


def test_the_developers_lock_contains_the_running_lock() -> None:
    run, dev = (set(locked(ROOT / ".requirements" / name)) for name in ("run.txt", "dev.txt"))
    assert run <= dev


def test_the_engine_is_pinned_to_the_measured_release() -> None:
    assert "durable-rules==2.0.28" in locked(ROOT / ".requirements" / "run.txt")


@pytest.mark.parametrize("word", REGISTRY_HOSTS + SHARED_FOLDERS)
def test_no_tracked_file_names_a_package_registry_or_a_folder_outside(word: str) -> None:
    offenders = [str(p.relative_to(ROOT)) for p in tracked_files() if word.encode() in p.read_bytes()]
    assert offenders == []
