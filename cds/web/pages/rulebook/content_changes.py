"""The content as it is shipped beside what the site's overlays make of it, and whose decision comes out otherwise."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from cds.web.dependencies import Service
from cds.web.pages.rulebook.workbench_results import ReportedChange
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset
from rules.testing.generators import Generator
from rules.testing.ruleset_diff import Comparer, DecisionChange, written_changes

PATIENTS = 100
"""So many generated patients are decided by both: about a second, once for each content."""
_SHOWN = 12


@dataclass(frozen=True)
class SiteChanges:
    """What is written otherwise, and of ``PATIENTS`` generated ones whose decision is, by kind and with some in full."""

    written: tuple[ReportedChange, ...]
    changed: int
    kinds: tuple[tuple[str, int], ...]
    some: tuple[DecisionChange, ...]


def shipped(service: Service) -> Ruleset:
    """The rules of ``service`` before the site changed them: the same object where it changed nothing."""
    ruleset = service.content.ruleset
    if not ruleset.local_changes:
        return ruleset
    return _read(service.settings.knowledge or KNOWLEDGE, ruleset.hash)


def site_changes(service: Service) -> SiteChanges | None:
    """What the site of ``service`` changes; None where it changes nothing."""
    ruleset = service.content.ruleset
    return _compared(_Both(ruleset.hash, shipped(service), ruleset)) if ruleset.local_changes else None


@lru_cache(maxsize=1)
def _read(folder: Path, content: str) -> Ruleset:
    """The rules in ``folder``, read again when the ``content`` in use has changed."""
    return load_ruleset(folder)


@dataclass(frozen=True)
class _Both:
    """Two rule sets, told from other two by the content hash of the second."""

    hash: str
    old: Ruleset = field(compare=False)
    new: Ruleset = field(compare=False)


@lru_cache(maxsize=1)
def _compared(both: _Both) -> SiteChanges:
    patients = ((f"generated {number}", facts) for number, facts in _generated(both.old))
    changed = list(Comparer(both.old, both.new).changes(patients))
    kinds = Counter(kind for change in changed for kind in change.kinds)
    return SiteChanges(
        written=tuple(
            ReportedChange(section=one.section, name=one.name, how=one.how, words=one.words)
            for one in written_changes(both.old, both.new)
        ),
        changed=len(changed),
        kinds=tuple(kinds.most_common()),
        some=tuple(_one_of_each(changed))[:_SHOWN],
    )


def _generated(ruleset: Ruleset) -> Iterator[tuple[int, Mapping[str, FactValue]]]:
    yield from enumerate(Generator(ruleset, seed=0).patients(PATIENTS), 1)


def _one_of_each(changed: Iterable[DecisionChange]) -> Iterator[DecisionChange]:
    """Of those whose decision changes in the same kinds, the first."""
    seen = set()
    for change in changed:
        if change.kinds not in seen:
            seen.add(change.kinds)
            yield change
