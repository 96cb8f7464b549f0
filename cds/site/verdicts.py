"""Verdicts of the gate that were reached before, so that a start need not wait for the same one again.

A verdict is kept under a hash of everything that it follows from: every file of the folder, the overlays, their sign-off, and
the code that decides and checks. It is used for exactly these, and only where the content that was then loaded has the hash
that the verdict names. Only content that may be served gets one.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from importlib.metadata import PackageNotFoundError, version
from importlib.util import find_spec
from pathlib import Path

import rules
from cds.settings import Settings
from cds.site.sign_off import beside
from rules.loading.loader import KNOWLEDGE

SHIPPED = Path(__file__).with_name("shipped_verdict.json")
"""The verdict on the shipped content, made by ``python -m tests.cds.site.shipped_verdict``; one that is out of date is not used."""
_BETWEEN_TRIES_SECONDS = 0.1
_CODE = (Path(rules.__file__).parent, Path(__file__).parent)


@dataclass(frozen=True)
class GateVerdict:
    """That content may be served: its stamp, the number of cases that hold, and what was remarked."""

    stamp: str
    cases: int
    remarks: tuple[str, ...]


def folder(settings: Settings) -> Path:
    """Where verdicts are kept by ``settings``."""
    state = Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state")
    return settings.verdicts or state / "nuque" / "verdicts"


def key(settings: Settings, *, proved: bool) -> str:
    """The hash under which the verdict on the content of ``settings`` is kept. Raises OSError where a file cannot be read.

    ``proved``: whether lint and proofs were run for it.
    """
    digest = hashlib.sha256(f"proved: {proved}; durable_rules {_version('durable_rules')}\n".encode())
    for name, content in _parts(settings):
        digest.update(f"{name} {len(content)}\n".encode() + content)
    return digest.hexdigest()


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "absent"


def _parts(settings: Settings) -> Iterator[tuple[str, bytes]]:
    knowledge = settings.knowledge or KNOWLEDGE
    yield from _files(knowledge, (*knowledge.rglob("*.yaml"), *knowledge.rglob("*.json")))
    for number, overlay in enumerate(settings.overlays):
        yield f"overlay {number}", overlay.read_bytes()
    if settings.overlays and (signed := beside(settings.overlays)).exists():
        yield "signed", signed.read_bytes()
    for place in _CODE:
        yield from _files(place, place.rglob("*.py"))


def _files(root: Path, paths: Iterable[Path]) -> Iterator[tuple[str, bytes]]:
    for path in sorted(paths):
        yield path.relative_to(root).as_posix(), path.read_bytes()


def can_prove() -> bool:
    """Whether lint and proofs can be run here."""
    return find_spec("z3") is not None


def find(settings: Settings) -> GateVerdict | None:
    """The verdict on exactly the content of ``settings``, where one is kept or shipped; one with proofs before one without."""
    for proved in (True,) if can_prove() else (True, False):
        name = key(settings, proved=proved)
        for path in (folder(settings) / f"{name}.json", SHIPPED):
            found = _read(path, name)
            if found is not None:
                return found
    return None


def _read(path: Path, name: str) -> GateVerdict | None:
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        if held["key"] != name:
            return None
        return GateVerdict(str(held["stamp"]), int(held["cases"]), tuple(map(str, held["remarks"])))
    except (OSError, ValueError, KeyError, TypeError):
        return None  # Absent or damaged: then the gate is run.


def keep(verdict: GateVerdict, name: str, path: Path) -> None:
    """Write ``verdict``, reached under the key ``name``, to ``path``, whole or not at all. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    draft = path.with_name(f"{path.name}.{os.getpid()}")
    draft.write_text(json.dumps({"key": name, **asdict(verdict)}, indent=1) + "\n", encoding="utf-8")
    draft.replace(path)


@contextmanager
def one_at_a_time(settings: Settings, given_up: Callable[[], bool]) -> Iterator[None]:
    """While the block runs no other process that keeps its verdicts in the same folder runs it: a second one waits, and finds.

    The folder is that of ``settings``. It waits no longer once ``given_up`` says so.
    """
    place = folder(settings)
    try:
        place.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = os.open(place / "lock", os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    except OSError:
        yield  # A folder that cannot be written holds nothing to wait for.
        return
    try:
        while not _taken(lock) and not given_up():
            time.sleep(_BETWEEN_TRIES_SECONDS)
        yield
    finally:
        os.close(lock)


def _taken(lock: int) -> bool:
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return True  # There are file systems without locks: then nobody is waited for.
    return True
