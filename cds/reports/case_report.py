"""The report of ``nuque rules test``."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from cds.reports.report_blocks import (
    Bar,
    Bars,
    Block,
    Grid,
    GridCell,
    Listing,
    Report,
    State,
    Table,
    about,
    count,
    where,
)
from rules.model.ruleset import Ruleset
from rules.testing.cases import CaseResult
from rules.testing.coverage import Coverage, RuleCoverage


def tested(ruleset: Ruleset, results: Sequence[CaseResult], coverage: Coverage) -> Report:
    """Cases in ``results`` that hold and that do not, and rules and comparisons of ``ruleset`` that no case reaches.

    What is reached is counted in ``coverage``.
    """
    failed = [result for result in results if not result.passed]
    uncovered = [rule for rule in coverage.rules if rule.missing]
    untested = [comparison for comparison in coverage.comparisons if comparison.missing]
    files: dict[str, list[CaseResult]] = defaultdict(list)
    for result in results:
        files[result.case.place.file].append(result)
    blocks: list[Block] = [Listing(f"Case {one.case.name} does not hold", one.describe()) for one in failed]
    blocks += [
        Bars(
            "Cases by file",
            [Bar(file, sum(one.passed for one in group), len(group)) for file, group in files.items()],
            "cases hold",
        ),
        Grid(
            "Rules by topic",
            _topics(ruleset, coverage),
            {"good": "fires in one case, stays silent in another", "doubt": "only one of the two", "bad": "neither"},
        ),
        Table(
            "Rules that the cases do not cover",
            ("rule", "where", "missing"),
            [(rule.rule, where(rule.place), "; ".join(rule.missing)) for rule in uncovered],
            empty="Every rule fires in one case and is named silent in another.",
        ),
        Table(
            "Near misses that are not near",
            ("rule", "cases"),
            [(rule.rule, ", ".join(rule.silent)) for rule in coverage.rules if rule.silent and not rule.near],
            empty="Every rule that is named silent is, in one such case, one comparison away from firing.",
        ),
        Table(
            "Comparisons that were never decisive",
            ("rule", "comparison", "where", "what is missing"),
            [(one.rule, one.text, where(one.place), "; ".join(one.missing)) for one in untested],
            empty="Every comparison made a rule fire in one case and kept it silent in another.",
        ),
    ]
    full = len(coverage.rules) - len(uncovered)
    return Report(
        title="Worked cases",
        about=about(ruleset),
        summary=(
            f"{len(results) - len(failed)} of {count(len(results), 'case')} hold. {full} of {len(coverage.rules)} rules "
            f"covered, {len(coverage.comparisons) - len(untested)} of {len(coverage.comparisons)} comparisons decisive both ways."
        ),
        findings=len(failed),
        blocks=blocks,
        data={
            "cases": len(results),
            "failed": [
                {
                    "case": one.case.name,
                    "file": one.case.place.file,
                    "line": one.case.place.line,
                    "differences": [
                        {"what": found.what, "expected": found.expected, "actual": found.actual}
                        for found in one.differences
                    ],
                }
                for one in failed
            ],
            "rules_not_covered": {rule.rule: list(rule.missing) for rule in uncovered},
            "comparisons_not_decisive": [
                {"rule": one.rule, "comparison": one.text, "line": one.place.line, "missing": list(one.missing)}
                for one in untested
            ],
        },
    )


def _topics(ruleset: Ruleset, coverage: Coverage) -> dict[str, list[GridCell]]:
    topics: dict[str, list[GridCell]] = {}
    for rule in coverage.rules:
        words = "; ".join(rule.missing) or "covered"
        topics.setdefault(ruleset.rules[rule.rule].topic, []).append(GridCell(f"{rule.rule}: {words}", _state(rule)))
    return topics


def _state(rule: RuleCoverage) -> State:
    if not rule.missing:
        return "good"
    return "doubt" if rule.fires or rule.silent else "bad"
