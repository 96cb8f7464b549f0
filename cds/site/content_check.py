"""The proof of new knowledge before it is used, in a process of its own: ``python -m cds.site.content_check``.

Lint and the worked cases need the processor and much memory for a while; in a process of their own they slow no call down and
give all of it back. Settings come as JSON on standard input, the outcome goes as JSON to standard output.

The folder's worked cases are run without the site's overlays, which may change what they expect; the overlays are checked by
loading and by lint.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

from cds.settings import Settings
from cds.site.content import Content
from rules.deciding.decider import Decider
from rules.errors import NuqueError
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.testing.cases import load_cases, run_cases

_GRAVE = frozenset({"unreachable", "units", "threshold"})


@dataclass(frozen=True)
class Proof:
    """What was found: the stamp of the content, why it must not be used (nothing: it may), and remarks."""

    stamp: str
    reasons: tuple[str, ...]
    cases: int
    remarks: tuple[str, ...]


def prove(settings: Settings) -> Proof:
    """Load, lint, and run the worked cases of what ``settings`` name."""
    folder = settings.knowledge or KNOWLEDGE
    try:
        content = Content.load(settings)
        plain = load_ruleset(folder) if settings.overlays else content.ruleset
        cases = load_cases(plain, folder / "cases")
    except NuqueError as error:
        return Proof("", tuple(str(error).splitlines()), 0, ())
    results = list(run_cases(Decider(plain), cases))
    failed = [f"{r.case.place}: {r.case.name}: {d}" for r in results for d in r.differences]
    grave, remarks = _lint(content, folder, settings.overlays)
    return Proof(content.stamp, (*failed, *grave), len(results), remarks)


def _lint(content: Content, folder: Path, overlays: tuple[Path, ...]) -> tuple[list[str], tuple[str, ...]]:
    try:
        from rules.loading.source_map import Written
        from rules.verification.lint import lint
    except ModuleNotFoundError as error:
        return [], (f"lint was not run: {error.name} is not installed (extra `gate`)",)
    written = Written(
        [YamlFile.read(path) for path in sorted(folder.glob("*.yaml"))], [YamlFile.read(p) for p in overlays]
    )
    findings = lint(content.ruleset, written)
    grave = [str(finding) for finding in findings if finding.check in _GRAVE]
    return grave, tuple(str(finding) for finding in findings if finding.check not in _GRAVE)


if __name__ == "__main__":
    print(json.dumps(asdict(prove(Settings.model_validate_json(sys.stdin.read())))))
