"""New knowledge while the service runs: read, checked, and only then put in place of the old, as a whole.

The folder's worked cases are run without the site's overlays, which may change what they expect; the overlays are checked by
loading and by lint. Whatever fails, the old knowledge stays and the reason is said.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

from cds.content import Content
from cds.logs import failure, log
from cds.service import Service
from cds.settings import Settings
from rules.cases import load_cases, run_cases
from rules.decide import Decider
from rules.errors import NuqueError
from rules.loading import KNOWLEDGE, load_ruleset
from rules.yaml_source import Source

_GRAVE = frozenset({"unreachable", "no source", "units", "threshold"})
_MOST_REASONS = 50


class ReloadRefused(NuqueError):
    """The new knowledge is not used. ``reasons`` says why, one line each."""

    def __init__(self, reasons: list[str]) -> None:
        """Keep ``reasons``."""
        self.reasons = reasons[:_MOST_REASONS]
        super().__init__("\n".join(self.reasons))


@dataclass(frozen=True)
class Reloaded:
    """What was swapped: the rule set's stamp before and after, how many cases were run, and what lint remarked."""

    before: str
    after: str
    cases: int
    remarks: tuple[str, ...]


def check(settings: Settings) -> tuple[Content, int, tuple[str, ...]]:
    """Content that may be used, the number of its cases, and remarks. Raises ReloadRefused."""
    folder = settings.knowledge or KNOWLEDGE
    try:
        content = Content.load(settings)
        plain = load_ruleset(folder) if settings.overlays else content.ruleset
        cases = load_cases(plain, folder / "cases")
    except NuqueError as error:
        raise ReloadRefused(str(error).splitlines()) from error
    results = list(run_cases(Decider(plain), cases))
    failed = [f"{r.case.place}: {r.case.name}: {d}" for r in results for d in r.differences]
    grave, remarks = _lint(content, folder, settings.overlays)
    if failed or grave:
        raise ReloadRefused([*failed, *grave])
    return content, len(results), remarks


def _lint(content: Content, folder: Path, overlays: tuple[Path, ...]) -> tuple[list[str], tuple[str, ...]]:
    try:
        from rules.lint import lint
        from rules.written import Written
    except ModuleNotFoundError as error:
        return [], (f"lint was not run: {error.name} is not installed (extra `workbench`)",)
    written = Written([Source.read(path) for path in sorted(folder.glob("*.yaml"))], [Source.read(p) for p in overlays])
    findings = lint(content.ruleset, written)
    grave = [str(finding) for finding in findings if finding.check in _GRAVE]
    return grave, tuple(str(finding) for finding in findings if finding.check not in _GRAVE)


class Reloader:
    """Swaps the content of a service. One reload at a time."""

    def __init__(self, service: Service) -> None:
        """Reload for ``service``."""
        self._service = service
        self._lock = threading.Lock()

    def reload(self) -> Reloaded:
        """Check and swap. Raises ReloadRefused; the old content then stays. Calls in progress keep the content they began with."""
        if not self._lock.acquire(blocking=False):
            raise ReloadRefused(["another reload is in progress"])
        try:
            content, cases, remarks = check(self._service.settings)
            before = self._service.content.stamp
            self._service.content = content
        except ReloadRefused as refused:
            log.error("reload refused", reasons=refused.reasons)
            raise
        finally:
            self._lock.release()
        log.info("reloaded", before=before, after=content.stamp, cases=cases)
        return Reloaded(before, content.stamp, cases, remarks)

    def on_signal(self) -> None:
        """Reload in a thread of its own; the outcome is in the log."""
        threading.Thread(target=self._in_background, name="reload").start()

    def _in_background(self) -> None:
        try:
            self.reload()
        except ReloadRefused:
            return  # Logged with its reasons.
        except Exception as error:  # A thread has nobody above it who would report this.
            log.error("reload failed", **failure(error))
