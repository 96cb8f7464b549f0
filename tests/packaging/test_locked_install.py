"""The script that installs the locks, held against an index that has newer releases of everything.

The index is a folder in the layout of the simple repository API (PEP 503), written here from packages of a few bytes.
Only pip is real: it is downloaded nowhere, the one that comes with Python makes the environment.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.packaging.package_index import Index

ROOT = Path(__file__).resolve().parents[2]

# Builds one module that says which release of this backend built it and with which flags of the preprocessor.
BACKEND = """
import os, zipfile
VERSION = "{version}"

def build_wheel(folder, config_settings=None, metadata_directory=None):
    name = open("NAME").read()
    files = {{
        f"{{name}}_engine.py": f"BUILT_BY, FLAGS = {{VERSION!r}}, {{os.environ.get('CPPFLAGS')!r}}",
        f"{{name}}-1.0.dist-info/METADATA": f"Metadata-Version: 2.1\\nName: {{name}}\\nVersion: 1.0\\n",
        f"{{name}}-1.0.dist-info/WHEEL": "Wheel-Version: 1.0\\nGenerator: t\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n",
    }}
    record = f"{{name}}-1.0.dist-info/RECORD"
    with zipfile.ZipFile(os.path.join(folder, f"{{name}}-1.0-py3-none-any.whl"), "w") as wheel:
        for path, text in files.items():
            wheel.writestr(path, text)
        wheel.writestr(record, "".join(f"{{path}},,\\n" for path in [*files, record]))
    return f"{{name}}-1.0-py3-none-any.whl"
"""


@pytest.fixture
def index(tmp_path: Path) -> Index:
    made = Index(tmp_path / "index")
    for version in ("1.0", "1.1", "2.0"):
        made.wheel("plain", version)
        made.wheel("behind-extra", version)
        made.wheel("wanted", version, needs='Requires-Dist: behind-extra>=1.0; extra == "more"\n')
        made.wheel("asks-for-extra", version, needs="Requires-Dist: wanted[more]>=1.0\n")
        made.wheel("builder", version, BACKEND.format(version=version))
    made.source("durable-rules", "1.0", "builder")
    made.source("durable-rules", "2.0", "builder")
    return made


PINS = ("plain==1.0", "wanted[more]==1.0", "behind-extra==1.0", "asks-for-extra==1.0", "durable-rules==1.0")


@pytest.fixture
def project(tmp_path: Path, index: Index) -> Path:
    """A folder with the script and small locks beside it, and an environment that has only pip."""
    locks = tmp_path / ".requirements"
    locks.mkdir()
    shutil.copy(ROOT / ".requirements" / "install", locks)
    (locks / "build.txt").write_text(index.lock("builder==1.0"))
    # The script asks for the module of the real engine; the stand-in here has its name.
    (locks / "run.txt").write_text(index.lock(*PINS))
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "venv")], check=True)
    return tmp_path


def install(project: Path, index: Index, *locks: str) -> subprocess.CompletedProcess[str]:
    settings = {name: value for name, value in os.environ.items() if not name.startswith("PIP_")}
    settings |= {"PIP_CONFIG_FILE": os.devnull, "PIP_INDEX_URL": index.url, "PIP_CACHE_DIR": str(project / "cache")}
    python = str(project / "venv" / "bin" / "python")
    command = [str(project / ".requirements" / "install"), python, *locks]
    return subprocess.run(command, env=settings, capture_output=True, text=True, check=False)


def in_environment(project: Path, program: str) -> str:
    python = str(project / "venv" / "bin" / "python")
    return subprocess.run([python, "-c", program], capture_output=True, text=True, check=True).stdout.strip()


def installed(project: Path) -> set[str]:
    listing = in_environment(
        project,
        "import importlib.metadata as m; print(*(f'{d.name}=={d.version}' for d in m.distributions()))",
    )
    return {pin for pin in listing.split() if not pin.startswith(("pip==", "setuptools=="))}


def expected() -> set[str]:
    return {pin.replace("[more]", "").replace("durable-rules", "durable_rules") for pin in PINS} | {"builder==1.0"}


def test_newer_releases_in_the_index_change_nothing(project: Path, index: Index) -> None:
    run = install(project, index, "run")
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")
    assert installed(project) == expected()
    # What is compiled is compiled with the locked build tool, although the index offers newer ones.
    built_by = in_environment(project, "import durable_rules_engine as e; print(e.BUILT_BY, e.FLAGS)")
    assert built_by.split() == ["1.0", "-DPyEval_CallObject=PyObject_CallObject"]


def test_a_second_run_changes_nothing(project: Path, index: Index) -> None:
    for _ in range(2):
        assert install(project, index, "run").returncode == 0
        assert installed(project) == expected()


def test_without_the_script_the_same_index_gives_newer_releases(project: Path, index: Index) -> None:
    """Shows that the index is a trap: pip left to itself takes the newest of everything that is not exact."""
    pip = [str(project / "venv" / "bin" / "python"), "-m", "pip", "install", "--index-url", index.url]
    subprocess.run([*pip, "asks-for-extra==1.0", "durable-rules==1.0"], capture_output=True, check=True)
    assert {"wanted==2.0", "behind-extra==2.0"} <= installed(project)
    assert in_environment(project, "import durable_rules_engine as e; print(e.BUILT_BY)") == "2.0"


def test_an_engine_built_without_the_define_is_built_again(project: Path, index: Index) -> None:
    assert install(project, index, "run").returncode == 0
    (broken,) = (project / "venv").rglob("durable_rules_engine.py")
    broken.write_text("raise ImportError('undefined symbol: PyEval_CallObject')")
    assert install(project, index, "run").returncode == 0
    assert in_environment(project, "import durable_rules_engine as e; print(e.BUILT_BY)") == "1.0"


def test_a_file_with_another_hash_is_not_installed(project: Path, index: Index) -> None:
    lock = project / ".requirements" / "run.txt"
    lock.write_text(lock.read_text().replace(index.lines["plain==1.0"], "--hash=sha256:" + "0" * 64))
    run = install(project, index, "run")
    assert run.returncode != 0
    assert "plain" in run.stderr
    assert "plain==1.0" not in installed(project)


def test_a_lock_that_lacks_a_dependency_fails_and_names_it(project: Path, index: Index) -> None:
    (project / ".requirements" / "run.txt").write_text(index.lock("asks-for-extra==1.0", "durable-rules==1.0"))
    run = install(project, index, "run")
    assert run.returncode == 1
    assert "asks-for-extra 1.0 requires wanted" in run.stderr


AS_A_USER = ROOT / ".ci" / "parts" / "commands"
INSTALLING = [
    ROOT / "Makefile",
    ROOT / "docs/deploy/Containerfile",
    *sorted(p for p in (ROOT / ".ci").rglob("*") if p.is_file() and p != AS_A_USER),
]


@pytest.mark.parametrize("path", INSTALLING, ids=lambda path: str(path.relative_to(ROOT)))
def test_nothing_installs_by_resolving(path: Path) -> None:
    lines = path.read_text().replace("\\\n", " ").splitlines()
    assert lines
    found = [
        line.strip() for line in lines if re.search(r"\bpip\b.*\binstall\b", line) and not line.lstrip().startswith("#")
    ]
    assert [line for line in found if "--no-deps" not in line or "--no-build-isolation" not in line] == []


def test_what_ci_installs_as_a_user_does_is_held_to_the_locks() -> None:
    """There pip, uv and pipx resolve, as they do for whoever has the wheel; constraints leave them one choice each."""
    before, constrained, after = AS_A_USER.read_text().partition("export PIP_CONSTRAINT=")
    resolving = [line for line in after.splitlines() if re.search(r"\binstall\b", line) and not line.startswith("#")]
    assert len(resolving) >= 2
    for tool in ("PIP", "UV"):
        assert f'{tool}_CONSTRAINT="$work/locked"' in constrained + after
        assert f'{tool}_BUILD_CONSTRAINT="$work/locked"' in constrained + after
    lines = [line for line in before.splitlines() if re.search(r"\bpip\b.*\binstall\b", line)]
    assert lines and all("--no-deps" in line for line in lines)
