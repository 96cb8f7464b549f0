"""The gate for new content, in a process of its own: ``python -m cds.site.content_check``.

Lint, worked cases and proofs need the processor and much memory for a while; in a process of their own they slow no call down
and give all of it back, and hostile content costs that process its limits and no more. Settings come as JSON on standard input.
To standard output goes one JSON text a line: ``{"stage": ..., "count": ...}`` as each stage begins, and the outcome last.

What is looked at is what will be served: the folder with the site's overlays over it. What the overlays change for somebody has
to be signed off.
"""

from __future__ import annotations

import json
import resource
import sys
from dataclasses import asdict, dataclass

from cds.settings import Settings
from cds.site import sign_off, verdicts
from cds.site.content import Content
from rules.errors import NuqueError
from rules.loading.loader import KNOWLEDGE
from rules.verification.quality_gate import QualityGate, Told

MOST_MEMORY_BYTES = 3 * 1024**3
"""Address space of the checking process. The shipped content needs a third of a gigabyte of memory, and libraries map more."""
MOST_PROCESSOR_SECONDS = 900
CHANGED = "the content was changed while it was checked; do this again"


@dataclass(frozen=True)
class Proof:
    """What was found: the stamp of the content, why it must not be used (nothing: it may), and remarks."""

    stamp: str
    reasons: tuple[str, ...]
    cases: int
    remarks: tuple[str, ...]


def prove(settings: Settings, told: Told = lambda stage, **numbers: None) -> Proof:
    """Put what ``settings`` name through the gate, and keep the verdict where it may be used; ``told`` hears how far it is."""
    try:
        name = verdicts.key(settings, proved=verdicts.can_prove())
        gate = QualityGate(settings.knowledge or KNOWLEDGE, settings.overlays, told)
        content = Content.load(settings)
        found = gate.findings()
        reasons = [*found.grave, *sign_off.unsigned(found, gate.effective.hash, settings.overlays)]
        now = verdicts.key(settings, proved=verdicts.can_prove())
    except NuqueError as error:
        if isinstance(error.__cause__, MemoryError):
            raise  # The limit of this process was met: that says nothing about the content.
        return Proof("", tuple(str(error).splitlines()), 0, ())
    except OSError as error:
        return Proof("", (str(error),), 0, ())
    if now != name or content.ruleset.hash != gate.effective.hash:
        return Proof("", (CHANGED,), 0, ())  # What was found is of files that are gone, or of some of each.
    if settings.overlays and not verdicts.can_prove():
        reasons += [f"{skipped}; an overlay needs it" for skipped in found.skipped]
    remarks = [*found.skipped, *found.remarks]
    if not reasons:
        verdict = verdicts.GateVerdict(content.stamp, found.cases, tuple(remarks))
        try:
            verdicts.keep(verdict, name, verdicts.folder(settings) / f"{name}.json")
        except OSError as error:
            remarks.append(f"the verdict is not kept, so the next start checks again: {error}")
    return Proof(content.stamp, tuple(reasons), found.cases, tuple(remarks))


def main() -> None:
    """Check what standard input names, within the limits of this process."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (MOST_PROCESSOR_SECONDS, MOST_PROCESSOR_SECONDS))
    settings = Settings.model_validate_json(sys.stdin.read())
    proof = prove(settings, lambda stage, **numbers: print(json.dumps({"stage": stage, **numbers}), flush=True))
    print(json.dumps(asdict(proof)))


if __name__ == "__main__":
    main()
