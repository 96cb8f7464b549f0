"""The report of ``nuque rules compare``."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from cds.reports.report_blocks import Bar, Bars, Block, Node, Report, Table, Tree, about, count
from rules.model.rule_text import describe_value
from rules.model.ruleset import Ruleset
from rules.testing.ruleset_diff import DecisionChange, WrittenChange

_MOST_SHOWN = 50


def compared(
    old: Ruleset,
    new: Ruleset,
    written: Sequence[WrittenChange],
    changed: Sequence[DecisionChange],
    patients: int,
) -> Report:
    """What was ``written`` otherwise in ``new`` than in ``old``, and whose decision ``changed``, by kind of change.

    ``patients``: how many were decided with both.
    """
    kinds = Counter(kind for change in changed for kind in change.kinds)
    how = Counter((change.section, change.how) for change in written)
    blocks: list[Block] = [
        Tree(
            "Written otherwise",
            [
                Node(
                    f"{change.how}: {change.section} {change.name}",
                    None,
                    tuple(Node(line) for line in change.words),
                )
                for change in written
            ],
        ),
    ]
    if kinds:
        blocks.append(
            Bars(
                "Patients whose decision changes, by kind of change",
                [Bar(kind, number, patients) for kind, number in kinds.most_common()],
                "patients",
                good=False,
            )
        )
    blocks.append(
        Table(
            "Patients whose decision changes" + (f" (the first {_MOST_SHOWN})" if len(changed) > _MOST_SHOWN else ""),
            ("patient", "what changes", "facts"),
            [(change.patient, "; ".join(change.words), _facts(change)) for change in changed[:_MOST_SHOWN]],
            empty="Nobody's.",
        )
    )
    differences = (
        ", ".join(f"{count(n, section)} {what}" for (section, what), n in how.items()) or "nothing written otherwise"
    )
    return Report(
        title="Comparison of two states of the rules",
        about=f"old: {about(old)} | new: {about(new)}",
        summary=f"{differences}; {len(changed)} of {count(patients, 'patient')} decided otherwise.",
        findings=len(written) + len(changed),
        blocks=blocks,
        data={
            "written": [
                {"section": one.section, "name": one.name, "how": one.how, "words": list(one.words)} for one in written
            ],
            "patients": patients,
            "changed": len(changed),
            "kinds": dict(kinds),
            "decisions": [
                {"patient": one.patient, "facts": dict(one.facts), "kinds": list(one.kinds), "words": list(one.words)}
                for one in changed
            ],
        },
    )


def _facts(change: DecisionChange) -> str:
    return ", ".join(f"{name} = {describe_value(value)}" for name, value in change.facts.items()) or "nothing recorded"
