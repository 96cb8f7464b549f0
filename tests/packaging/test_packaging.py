"""What the package promises before any clinical rule: versions, layout, locks, and clean text."""

import ast
import re
import subprocess
import sys
import zipfile
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest

import cds
import rules

ROOT = Path(__file__).resolve().parents[2]
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
    if not (ROOT / ".git").exists():
        pytest.skip("needs a git checkout: outside one there is no list of tracked files")
    # A checkout that another account made is as good as our own.
    command = ["git", "-c", "safe.directory=*", "ls-files", "-z"]
    listing = subprocess.run(command, cwd=ROOT, capture_output=True, check=True, text=True)
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


def test_rules_can_be_imported_alone_and_pulls_in_neither_fhir_nor_http() -> None:
    program = """
import importlib, pkgutil, sys
import rules
for module in pkgutil.walk_packages(rules.__path__, "rules."):
    importlib.import_module(module.name)
print(*sorted({name.split(".")[0] for name in sys.modules}))
"""
    run = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, check=True, text=True)
    loaded = set(run.stdout.split())
    assert "rules" in loaded
    assert loaded & {"cds", "fhir", "fastapi", "starlette", "uvicorn", "httpx", "sqlalchemy"} == set()


# Whoever needs the moment of a decision is given it; these are the ways to ask the machine instead.
CLOCK_READS = {"now", "utcnow", "today", "time_ns", "monotonic", "perf_counter", "localtime", "gmtime"}


def clock_reads(source: str) -> list[str]:
    """List 'line: call' for each call in the source that reads the machine's clock."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = ast.unparse(node.func)
        if name.rsplit(".", 1)[-1] in CLOCK_READS or name in {"time.time", "time"}:
            found.append(f"{node.lineno}: {name}()")
    return found


@pytest.mark.tree
def test_nothing_in_rules_reads_the_clock() -> None:
    reads = {str(p.relative_to(ROOT)): clock_reads(p.read_text()) for p in (ROOT / "rules").rglob("*.py")}
    assert {path: found for path, found in reads.items() if found} == {}


def test_the_search_for_clock_reads_finds_them() -> None:
    assert clock_reads("import datetime\nx = datetime.datetime.now(tz)") == ["2: datetime.datetime.now()"]
    assert clock_reads("from time import time\ntime()") == ["2: time()"]
    assert clock_reads("at = decision.at.time_of_day()") == []


def test_no_module_is_a_drawer_for_leftovers() -> None:
    drawers = {"utils", "util", "common", "helpers", "misc"}
    assert any(p.suffix == ".py" for p in tracked_files())
    assert [p for p in tracked_files() if p.suffix == ".py" and drawers & {p.stem, *p.parent.parts}] == []


def test_there_are_lock_files() -> None:
    assert {path.name for path in LOCKS} == {
        "build.txt",
        "run.txt",
        "service.txt",
        "dev.txt",
        "spark.txt",
        "lowest.txt",
    }


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
    assert not re.search(r"^\s*(-i|-f|--index-url|--extra-index-url|--find-links|--trusted-host)\b", text, re.M)


def test_what_two_locks_both_name_has_one_release() -> None:
    releases: dict[str, set[str]] = {}
    for path in LOCKS:
        # lowest.txt differs on purpose.
        for pin in locked(path) if path.name != "lowest.txt" else ():
            name = re.sub(r"\[.*\]", "", pin).partition("==")[0]
            releases.setdefault(name, set()).add(pin.partition("==")[2])
    assert "pip" in releases
    # numpy alone has one release for Python 3.11 and another for later ones.
    assert {name for name, found in releases.items() if len(found) > 1} == {"numpy"}


def test_the_developers_lock_contains_the_running_lock() -> None:
    run, dev = (set(locked(ROOT / ".requirements" / name)) for name in ("run.txt", "dev.txt"))
    assert run <= dev


def test_the_services_lock_is_the_running_lock_without_the_workbench() -> None:
    run, service = (set(locked(ROOT / ".requirements" / name)) for name in ("run.txt", "service.txt"))
    left_out = {pin.partition("==")[0] for pin in run - service}
    assert service < run
    assert {"fpdf2", "numpy", "polars", "pyarrow"} <= left_out
    assert "z3-solver" not in left_out


def test_the_unit_libraries_are_for_the_tests_alone() -> None:
    running = {pin.partition("==")[0] for pin in locked(ROOT / ".requirements" / "run.txt")}
    assert running & {"pint", "ucumvert", "lark", "unyt"} == set()


def test_the_engine_is_pinned_to_the_measured_release() -> None:
    assert "durable-rules==2.0.28" in locked(ROOT / ".requirements" / "run.txt")


PAGES_OF_THE_GUIDE = [
    path.relative_to(ROOT / "docs").with_suffix("").as_posix() for path in (ROOT / "docs").glob("[!.]*.md")
] + ["deploy/README", "search"]


def built_wheel(folder: Path) -> Path:
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    subprocess.run(build, capture_output=True, check=True, text=True)
    (wheel,) = folder.glob("*.whl")
    return wheel


def test_the_wheel_holds_every_tracked_file_of_both_packages_the_invented_patients_and_nothing_else(
    tmp_path: Path,
) -> None:
    held = {name for name in zipfile.ZipFile(built_wheel(tmp_path)).namelist() if ".dist-info/" not in name}
    tracked = {path.relative_to(ROOT).as_posix() for path in tracked_files()}
    # Data too: knowledge in YAML, templates, static files, type markers.
    assert {name for name in tracked if name.startswith(("rules/", "cds/"))} - held == set()
    patients = {f"cds/{name}" for name in tracked if name.startswith("demo_bundles/")}
    assert "cds/demo_bundles/index.yaml" in patients
    assert patients - held == set()
    guide = {f"cds/web/pages/guide_pages/{page}.html" for page in PAGES_OF_THE_GUIDE}
    assert guide - held == set()
    assert {name for name in held if not name.startswith(("rules/", "cds/"))} == set()


def test_the_demo_decides_every_invented_patient_from_the_wheel_alone(tmp_path: Path) -> None:
    unpacked = tmp_path / "installed"
    zipfile.ZipFile(built_wheel(tmp_path)).extractall(unpacked)
    # -P and a folder of its own: neither the checkout nor the editable installation is in the way.
    program = f"import sys; sys.path.insert(0, {str(unpacked)!r}); from cds.cli import main; main()"
    command = [sys.executable, "-P", "-c", program, "demo", "--out", str(tmp_path / "out")]
    ended = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=300)
    assert ended.returncode == 0, ended.stderr
    patients = len(list((ROOT / "demo_bundles").glob("[0-9]*.json")))
    assert f"\n{patients} patients of " in ended.stdout
    assert len(list((tmp_path / "out").glob("*.fhir.json"))) == patients


@pytest.mark.parametrize("word", REGISTRY_HOSTS + SHARED_FOLDERS)
def test_no_tracked_file_names_a_package_registry_or_a_folder_outside(word: str) -> None:
    offenders = [str(p.relative_to(ROOT)) for p in tracked_files() if word.encode() in p.read_bytes()]
    assert offenders == []
