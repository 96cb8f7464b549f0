"""The rule workbench on the whole shipped content: proof, mutation, coverage."""

from __future__ import annotations

from collections.abc import Iterator

from rules.deciding.decider import Decider
from rules.evaluation.interpreter import Plain
from rules.loading.loader import load_ruleset
from rules.loading.source_map import SourceMap
from rules.testing.cases import load_cases, run_cases
from rules.testing.coverage import measure as coverage_of
from rules.testing.mutation import WANTED_SCORE, MutationReport, mutate
from rules.verification.invariants import load_claims
from rules.verification.prover import ProofResult, verify
from tests.bench.measured import Measured, seconds

PROOF_BAR = 60.0


def measure() -> Iterator[Measured]:
    """Proof against loading, mutation and coverage against deciding every case once."""
    ruleset = load_ruleset()
    claims, cases, written = load_claims(ruleset), load_cases(ruleset), SourceMap.read()
    verdicts: list[ProofResult] = []
    loading = seconds(load_ruleset, times=3)
    proof = seconds(lambda: verdicts.extend(verify(ruleset, claims)))
    proved = sum(verdict.status == "proved" for verdict in verdicts)
    yield Measured(
        f"proof of {len(verdicts)} properties ({proved} proved) over {len(ruleset.rules)} rules",
        proof,
        loading,
        "loading the content",
        bar=f"all proved in under {PROOF_BAR:.0f} s",
        kept=proof < PROOF_BAR and proved == len(verdicts),
    )
    decider = Decider(ruleset, Plain(ruleset))
    once = seconds(lambda: list(run_cases(decider, cases)))
    reports: list[MutationReport] = []
    mutation = seconds(lambda: reports.append(mutate(ruleset, cases, written)))
    (report,) = reports
    yield Measured(
        f"mutation testing, {report.total} mutants, score {report.score:.1%}",
        mutation,
        once,
        f"deciding {len(cases)} cases once",
        bar=f"score of {WANTED_SCORE:.1%} or more",
        kept=report.score >= WANTED_SCORE,
    )
    coverage = seconds(lambda: coverage_of(ruleset, cases, written))
    yield Measured("coverage of rules and comparisons", coverage, once, f"deciding {len(cases)} cases once")
