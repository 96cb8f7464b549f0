"""The report of ``nuque rules mutate``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import yaml

from cds.reports.report_blocks import Bar, Bars, Block, Listing, Report, Table, about, count, where
from rules.model.ruleset import Ruleset
from rules.testing.mutation import WANTED_SCORE, MutationReport
from rules.verification.mutant_witness import ToldApart


def mutated(ruleset: Ruleset, report: MutationReport, told: Sequence[ToldApart]) -> Report:
    """The score of ``report`` on ``ruleset``, and each survivor with its line and the patient in ``told`` who would show it."""
    alive = [one for one in told if not one.same]
    same = [one for one in told if one.same]
    made = report.total - len(same)
    score = 1 - len(alive) / made if made else 1.0
    surviving = Counter(one.mutant.kind for one in told)
    topics = Counter(one.mutant.rule.topic for one in alive)
    blocks: list[Block] = [
        Bars(
            "Noticed, by kind of change",
            [Bar(kind, number - surviving[kind], number) for kind, number in report.made.items()],
            "mutants noticed by a case",
        )
    ]
    if topics:
        bars = [Bar(topic, number, len(alive)) for topic, number in topics.most_common()]
        blocks.append(Bars("Where survivors live", bars, "survivors", good=False))
    blocks.append(
        Table(
            "Survivors",
            ("where", "rule", "change", "a patient who shows it"),
            [
                (where(one.mutant.place), one.mutant.rule.id, f"{one.mutant.kind}: {one.mutant.what}", _facts(one))
                for one in alive
            ],
            empty="No mutant survived.",
        )
    )
    if same:
        rows = [(where(one.mutant.place), one.mutant.rule.id, one.mutant.what) for one in same]
        blocks.append(
            Table("Changes that are proved to change nothing (not counted)", ("where", "rule", "change"), rows)
        )
    if report.failing:
        blocks.append(Listing("Cases that fail anyway and took no part", "\n".join(report.failing)))
    return Report(
        title="Mutation testing of the rules",
        about=about(ruleset),
        summary=(
            f"{made - len(alive)} of {count(made, 'mutant')} noticed: {score:.1%} (wanted: {WANTED_SCORE:.1%} or more). "
            f"{count(len(same), 'change')} proved to change nothing."
        ),
        findings=len(report.failing) + (len(alive) if score < WANTED_SCORE else 0),
        blocks=blocks,
        data={
            "mutants": made,
            "score": round(score, 4),
            "changing_nothing": len(same),
            "failing_cases": list(report.failing),
            "survivors": [
                {
                    "file": one.mutant.place.file,
                    "line": one.mutant.place.line,
                    "rule": one.mutant.rule.id,
                    "kind": one.mutant.kind,
                    "change": one.mutant.what,
                    "patient": None if one.patient is None else dict(one.patient),
                }
                for one in alive
            ],
        },
    )


def _facts(one: ToldApart) -> str:
    if one.patient is None:
        return "not found in time"
    return (
        yaml.safe_dump(dict(one.patient), default_flow_style=True, width=10_000).strip()
        if one.patient
        else "{} (anybody)"
    )
