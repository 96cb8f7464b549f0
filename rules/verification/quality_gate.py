"""The quality gate: whether content may be served. Lint, worked cases, a site's changes patient by patient, and the proofs.

It looks at the effective content, the folder with a site's overlays over it. What an overlay changes for the patients of the
worked cases and for generated ones is listed, to be held against what the site has signed; what can hurt somebody is refused
whatever was signed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from rules.deciding.decider import Decider
from rules.evaluation.durable_engine import Engine
from rules.evaluation.information_gain import Prospects, Sizer
from rules.evaluation.interpreter import Firing
from rules.loading.loader import load_ruleset
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset
from rules.testing.cases import CASES, Case, CaseResult, load_cases, run_case
from rules.testing.generators import Generator
from rules.testing.ruleset_diff import Comparer
from rules.verification.invariants import CLAIMS, load_claims

GENERATED = 200
"""Generated patients that are decided with and without the overlays, the same in every run."""
_GRAVE = frozenset({"unreachable", "units", "threshold"})
_PROOF_MILLISECONDS = 300_000
"""For each question to the solver: an answer must not depend on how busy the machine is."""

Told = Callable[..., None]
"""Takes in words the stage that begins, and as numbers, by name, how much of what it has to do (``count``)."""


@dataclass(frozen=True)
class ChangedPatient:
    """A patient whose decision the overlays change: a worked case by its name, or a generated patient with its facts."""

    patient: str
    facts: Mapping[str, FactValue] | None
    changes: tuple[str, ...]


@dataclass(frozen=True)
class Findings:
    """What the gate found.

    ``grave`` must not be served. ``changed`` and ``unproved`` (ids of properties that are none of safety) come of the overlays
    and need a signature. ``skipped`` was not looked at, for want of packages. ``cases`` is the number of worked cases.
    """

    grave: tuple[str, ...] = ()
    changed: tuple[ChangedPatient, ...] = ()
    unproved: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    skipped: tuple[str, ...] = ()
    cases: int = 0


class QualityGate:
    """The content of one folder with its overlays. Raises KnowledgeError where it does not load."""

    def __init__(self, folder: Path, overlays: Iterable[Path], told: Told = lambda stage, **numbers: None) -> None:
        """Read the content; ``told`` hears how far it is."""
        self._folder, self._overlays, self._told = folder, tuple(overlays), told
        told("loading")
        self.plain = load_ruleset(folder)
        self.effective = load_ruleset(folder, self._overlays) if self._overlays else self.plain
        self._cases = load_cases(self.plain, folder / CASES.name)

    def findings(self, only: Callable[[Case], bool] = lambda case: True) -> Findings:
        """Everything, stage by stage; after a stage with grave findings no further one is begun. ``only`` picks cases."""
        self._told("lint")
        grave, remarks, skipped = self._linted()
        grave += self._switched_off()
        if grave:
            return Findings(grave=tuple(grave), remarks=remarks, skipped=skipped)
        cases = [case for case in self._cases if only(case)]
        self._told("worked cases", count=len(cases))
        results = list(_results(self.effective, cases))
        failed = [result for result in results if not result.passed]
        if self._overlays:
            # What fails without the overlays too is nothing that a site could answer for.
            again = _results(self.plain, [result.case for result in failed])
            failed = [result for result in again if not result.passed]
        grave = [f"{r.case.place}: {r.case.name}: {difference}" for r in failed for difference in r.differences]
        if grave:
            return Findings(grave=tuple(grave), remarks=remarks, skipped=skipped, cases=len(cases))
        changed = tuple(self._changed(results)) if self._overlays else ()
        grave, unproved, unlooked = self._proved()
        return Findings(tuple(grave), changed, tuple(unproved), remarks, (*skipped, *unlooked), len(cases))

    def _linted(self) -> tuple[list[str], tuple[str, ...], tuple[str, ...]]:
        """Grave findings, remarks, and what was skipped."""
        try:
            from rules.loading.source_map import SourceMap
            from rules.verification.lint import lint
        except ModuleNotFoundError as error:
            return [], (), (f"lint was not run: {error.name} is not installed (extra `gate`)",)
        found = lint(self.effective, SourceMap.read(self._folder, self._overlays))
        grave = [str(finding) for finding in found if finding.check in _GRAVE]
        return grave, tuple(str(finding) for finding in found if finding.check not in _GRAVE), ()

    def _switched_off(self) -> list[str]:
        """The rules of safety that the overlays leave out."""
        return [
            f"rule {name} ({rule.title}) withholds a size or warns of a critical danger: no overlay can switch it off"
            for name, rule in self.plain.rules.items()
            if is_of_safety(rule) and name not in self.effective.rules
        ]

    def _changed(self, results: Iterable[CaseResult]) -> Iterator[ChangedPatient]:
        """Whose decision the overlays change, cases first."""
        comparer = Comparer(self.plain, self.effective)
        generated = list(Generator(self.plain, 0).patients(GENERATED))
        self._told("comparing", count=len(generated))
        for result in results:
            change = comparer.change(result.case.name, result.case.facts)
            words = (
                *(change.words if change else ()),
                *(f"no longer as the case expects: {d}" for d in result.differences),
            )
            if words:
                yield ChangedPatient(result.case.name, None, words)
        for number, facts in enumerate(generated, 1):
            if change := comparer.change(f"generated {number}", facts):
                yield ChangedPatient(change.patient, dict(facts), change.words)

    def _proved(self) -> tuple[list[str], list[str], tuple[str, ...]]:
        """Grave failures, ids of other properties that do not hold, and what was skipped."""
        try:
            from rules.verification.prover import ProofResult, verify
        except ModuleNotFoundError as error:
            return [], [], (f"the proofs were not run: {error.name} is not installed (extra `gate`)",)
        # Read by the names of the folder itself: an overlay adds nothing that a claim could speak of.
        claims = load_claims(self.effective, self._folder / CLAIMS.name)
        self._told("proofs")
        grave: list[str] = []
        unproved: list[str] = []

        def words(verdict: ProofResult) -> str:
            shown = "; ".join(f"{_facts(patients)}: {', '.join(said)}" for patients, said in
                              ((c.patients, c.outcomes) for c in verdict.counterexamples[:3]))  # fmt: skip
            rules = ", ".join((*(found.rule for found in verdict.unreachable), *map(str, verdict.open)))
            return f"{verdict.id} {verdict.status}: {verdict.says} {shown}{rules}".strip()

        for verdict in verify(self.effective, claims, _PROOF_MILLISECONDS):
            if verdict.status == "proved":
                continue
            if verdict.safety or not self._overlays:
                grave.append(words(verdict))
            else:
                unproved.append(verdict.id)
        return grave, unproved, ()


def is_of_safety(rule: Rule) -> bool:
    """Whether ``rule`` withholds a size or gives a critical caution."""
    return bool(rule.then.holds) or any(caution.severity == "critical" for caution in rule.then.cautions)


def _facts(patients: Iterable[Mapping[str, FactValue]]) -> str:
    return " and ".join(str(dict(facts)) for facts in patients)


def _results(ruleset: Ruleset, cases: Iterable[Case]) -> Iterator[CaseResult]:
    """Each case decided on the engine of the live service.

    What to measure next takes most of the time of a decision, and is put in order only where a case speaks of it.
    """
    engine, sizer = Engine(ruleset), Sizer(ruleset)

    def unordered(facts: Mapping[str, FactValue], firing: Firing) -> Prospects:
        return sizer.prospects(facts, firing, rank=False)

    quick, whole = Decider(ruleset, engine, unordered), Decider(ruleset, engine)
    for case in cases:
        yield run_case(whole if case.expect.measure_next else quick, case)
