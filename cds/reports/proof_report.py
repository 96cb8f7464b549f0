"""The report of ``nuque rules prove``."""

from __future__ import annotations

from collections.abc import Sequence

from cds.reports.report_blocks import Block, Grid, GridCell, Listing, Report, State, Table, about, count
from rules.model.ruleset import Ruleset
from rules.verification.prover import ProofResult, as_case

_STATES: dict[str, State] = {"proved": "good", "failed": "bad", "undecided": "doubt"}


def proved(ruleset: Ruleset, verdicts: Sequence[ProofResult], seconds: float) -> Report:
    """Each property of ``ruleset`` with its verdict, and for a failed one patients who show it, ready to save as cases.

    ``verdicts`` has one for each property. ``seconds``: how long the proof took.
    """
    failed = [verdict for verdict in verdicts if verdict.status != "proved"]
    held = [verdict for verdict in verdicts if verdict.status == "proved"]
    groups: dict[str, list[GridCell]] = {}
    for verdict in verdicts:
        name = verdict.id.partition(":")[0]
        groups.setdefault(name, []).append(GridCell(f"{verdict.id}: {verdict.status}", _STATES[verdict.status]))
    blocks: list[Block] = [
        Grid("Properties", groups, {"good": "proved", "bad": "failed", "doubt": "undecided"}),
    ]
    for verdict in failed:
        for example in verdict.counterexamples:
            outcomes = " | ".join(example.outcomes)
            blocks.append(Listing(f"{verdict.id}, {example.label}: {outcomes}", as_case(ruleset, verdict, example)))
        if verdict.unreachable:
            rows = [(one.rule, one.place, " or ".join(one.without)) for one in verdict.unreachable]
            blocks.append(Table("Rules that never fire", ("rule", "where", "could fire without"), rows))
        if verdict.open:
            blocks.append(Table(f"{verdict.id}: not decided", ("what",), [(label,) for label in verdict.open]))
    blocks.append(
        Table(
            "For every plausible patient, unknown facts included",
            ("property", "verdict", "what it says"),
            [(verdict.id, verdict.status, verdict.says) for verdict in (*failed, *held)],
        )
    )
    return Report(
        title="Proof over the whole input space",
        about=about(ruleset),
        summary=f"{len(verdicts) - len(failed)} of {count(len(verdicts), 'property', 'properties')} proved in {seconds:.1f} s.",
        findings=len(failed),
        blocks=blocks,
        data={
            "seconds": round(seconds, 2),
            "properties": [
                {
                    "id": verdict.id,
                    "says": verdict.says,
                    "status": verdict.status,
                    "counterexamples": [
                        {
                            "label": example.label,
                            "patients": [dict(facts) for facts in example.patients],
                            "outcomes": list(example.outcomes),
                        }
                        for example in verdict.counterexamples
                    ],
                    "unreachable": [
                        {"rule": one.rule, "where": one.place, "could_fire_without": list(one.without)}
                        for one in verdict.unreachable
                    ],
                    "undecided": list(verdict.open),
                }
                for verdict in verdicts
            ],
        },
    )
