"""The proof of new knowledge before it is used, in a process of its own: ``python -m cds.site.content_check``.

Lint and the worked cases need the processor and much memory for a while; in a process of their own they slow no call down and
give all of it back, and hostile content costs that process its limits and no more. Settings come as JSON on standard input. To
standard output goes one JSON text a line: ``{"stage": ..., "count": ...}`` as each stage begins, and the outcome last.

The folder's worked cases are run without the site's overlays, which may change what they expect; the overlays are checked by
loading and by lint.
"""

from __future__ import annotations

import json
import resource
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from cds.settings import Settings
from cds.site.content import Content
from rules.deciding.decider import Decider
from rules.errors import NuqueError
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.testing.cases import load_cases, run_cases

MOST_MEMORY_BYTES = 3 * 1024**3
"""Address space of the checking process. The shipped content needs a third of a gigabyte of memory, and libraries map more."""
MOST_PROCESSOR_SECONDS = 900
_GRAVE = frozenset({"unreachable", "units", "threshold"})
Told = Callable[..., None]
"""Takes in words the stage that begins, and as numbers, by name, how much of what it has to do (``count``)."""


@dataclass(frozen=True)
class Proof:
    """What was found: the stamp of the content, why it must not be used (nothing: it may), and remarks."""

    stamp: str
    reasons: tuple[str, ...]
    cases: int
    remarks: tuple[str, ...]


def prove(settings: Settings, told: Told = lambda stage, **numbers: None) -> Proof:
    """Load, lint, and run the worked cases of what ``settings`` name; ``told`` hears how far it is."""
    folder = settings.knowledge or KNOWLEDGE
    told("loading")
    try:
        content = Content.load(settings)
        plain = load_ruleset(folder) if settings.overlays else content.ruleset
        cases = load_cases(plain, folder / "cases")
    except NuqueError as error:
        return Proof("", tuple(str(error).splitlines()), 0, ())
    told("worked cases", count=len(cases))
    results = list(run_cases(Decider(plain), cases))
    failed = [f"{r.case.place}: {r.case.name}: {d}" for r in results for d in r.differences]
    told("lint")
    grave, remarks = _lint(content, folder, settings.overlays)
    return Proof(content.stamp, (*failed, *grave), len(results), remarks)


def _lint(content: Content, folder: Path, overlays: tuple[Path, ...]) -> tuple[list[str], tuple[str, ...]]:
    try:
        from rules.loading.source_map import Written
        from rules.verification.lint import lint
    except ModuleNotFoundError as error:
        return [], (f"lint was not run: {error.name} is not installed (extra `gate`)",)
    findings = lint(content.ruleset, Written.read(folder, overlays))
    grave = [str(finding) for finding in findings if finding.check in _GRAVE]
    return grave, tuple(str(finding) for finding in findings if finding.check not in _GRAVE)


def main() -> None:
    """Check what standard input names, within the limits of this process."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_PROCESSOR_SECONDS, MOST_PROCESSOR_SECONDS))
    settings = Settings.model_validate_json(sys.stdin.read())
    proof = prove(settings, lambda stage, **numbers: print(json.dumps({"stage": stage, **numbers}), flush=True))
    print(json.dumps(asdict(proof)))


if __name__ == "__main__":
    main()
