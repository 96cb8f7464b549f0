"""The report of ``nuque rules check``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from cds.reports.report_blocks import Bar, Bars, Block, Grid, GridCell, Report, State, Table, about, count
from rules.errors import Place
from rules.model.ruleset import Ruleset
from rules.verification.lint import LintFinding


def checked(ruleset: Ruleset, findings: Sequence[LintFinding]) -> Report:
    """``findings`` by kind, by file, and one by one, and the rules of ``ruleset`` that they are about."""
    kinds = Counter(finding.check for finding in findings)
    concerned = {_rule_at(finding.place) for finding in findings}
    topics: dict[str, list[GridCell]] = {}
    for rule in ruleset.rules.values():
        state: State = "bad" if _rule_at(rule.place) in concerned else "good"
        topics.setdefault(rule.topic, []).append(GridCell(f"{rule.id}: {rule.title}", state))
    blocks: list[Block] = [
        Table(
            "Findings",
            ("where", "kind", "what"),
            [(str(finding.place), finding.check, finding.message) for finding in findings],
            empty="Nothing: names are used, rules can fire, units and thresholds fit, texts do not overlap.",
        )
    ]
    if kinds:
        blocks.append(
            Bars(
                "By kind",
                [Bar(kind, number, len(findings)) for kind, number in kinds.most_common()],
                "findings",
                good=False,
            )
        )
    blocks.append(
        Grid("Rules by topic", topics, {"good": "nothing found at this rule", "bad": "a finding in the rule"})
    )
    return Report(
        title="Check of the rules",
        about=about(ruleset),
        summary=f"{count(len(findings), 'finding')} in {count(len(ruleset.rules), 'rule')}.",
        findings=len(findings),
        blocks=blocks,
        data={
            "items": [
                {
                    "file": finding.place.file,
                    "line": finding.place.line,
                    "path": finding.place.path,
                    "kind": finding.check,
                    "message": finding.message,
                }
                for finding in findings
            ]
        },
    )


def _rule_at(place: Place) -> tuple[str, tuple[str, ...]]:
    """The rule that ``place`` lies in: its file, and the beginning of its path (``rules``, number)."""
    return place.file, tuple(place.path.split(".")[:2])
