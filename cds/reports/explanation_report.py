"""The report of ``nuque rules explain``."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from cds.reports.report_blocks import Block, Node, NumberLine, Report, State, Stretch, Table, Tree, Words, about
from rules.deciding.explanation import Change, Explainer, Explanation, Observation, ReasonNode
from rules.model.decision import NotUsed
from rules.model.facts import RecordedFact
from rules.model.quantity_words import quantity_words
from rules.model.rule_text import describe_effects, describe_value
from rules.model.ruleset import Ruleset

_STATES: dict[bool | None, State] = {True: "good", False: "bad", None: "doubt"}


def explained(
    explainer: Explainer, why_not: Sequence[str], title: str, at: datetime, not_used: Sequence[NotUsed] = ()
) -> Report:
    """The trace of ``explainer`` as a tree, why the rules called ``why_not`` stayed silent, and what would change the size.

    ``title`` says whose decision it is, ``at`` its moment, ``not_used`` what was seen and refused.
    """
    ruleset = explainer.ruleset
    explanations = {explanation.rule.id: explanation for explanation in explainer.fired()}
    asked = [explainer.why(name) for name in why_not]
    writer = _ExplanationTrees(ruleset, explanations)
    outcome = explainer.outcome()
    nearest = explainer.nearest()
    blocks: list[Block] = [Words(f"{title}, at {at:%Y-%m-%d %H:%M %Z}."), _known(explainer)]
    if not_used:
        rows = [
            (one.about or "not recognised", _as_said(one.value), one.reason, one.reference or "") for one in not_used
        ]
        blocks.append(Table("Seen and not used", ("fact", "as written", "why", "record"), rows))
    for explanation in asked:
        blocks.append(_why(writer, explanation))
    blocks += [
        Table(
            "The nearest changes that alter the size",
            ("fact", "now", "would be", "share of the plausible range", "size then"),
            [
                (ruleset.vocabulary[one.fact].label, *_moved(ruleset, one), f"{one.distance:.1%}", one.outcome)
                for one in nearest
            ],
            empty="No change of one recorded fact alters the size.",
        )
    ]
    for name in explainer.facts:
        if ruleset.vocabulary[name].numeric and any(change.fact == name for change in nearest):
            blocks.append(_line(ruleset, explainer, name))
    blocks.append(Tree("Why: rules that fired", [writer.rule(one) for one in explanations.values()], opened=0))
    return Report(
        title="Explanation",
        about=about(ruleset),
        summary=f"Size: {outcome}. {len(explanations)} rules fired.",
        findings=0,
        blocks=blocks,
        data={
            "patient": title,
            "at": at.isoformat(),
            "facts": dict(explainer.facts),
            "records": {name: _record(record) for name, record in explainer.records.items()},
            "not_used": [one.model_dump(mode="json") for one in not_used],
            "size": outcome,
            "fired": [_data(one) for one in explanations.values()],
            "why_not": [_data(one) for one in asked],
            "nearest_changes": [
                {
                    "fact": one.fact,
                    "now": one.now,
                    "to": one.to,
                    "distance": round(one.distance, 4),
                    "size": one.outcome,
                }
                for one in nearest
            ],
        },
    )


def _known(explainer: Explainer) -> Table:
    """Each fact, and the record that stands behind it where the patient was read from records."""
    rows = []
    for name, value in explainer.facts.items():
        fact, record = explainer.ruleset.vocabulary[name], explainer.records.get(name)
        written = (record.reference or "", _moment(record.recorded), record.original or "") if record else ("", "", "")
        rows.append((fact.label, quantity_words(value, fact.unit), *written))
    if not explainer.records:
        return Table("What is known", ("fact", "value"), [row[:2] for row in rows], empty="Nothing is recorded.")
    return Table("What is known", ("fact", "value", "record", "recorded", "as written"), rows)


def _moved(ruleset: Ruleset, change: Change) -> tuple[str, str]:
    """The value as it is and as it would be."""
    unit = ruleset.vocabulary[change.fact].unit
    return quantity_words(change.now, unit), quantity_words(change.to, unit)


def _as_said(written: str) -> str:
    return {"true": "yes", "false": "no"}.get(written, written)


def _moment(recorded: datetime | None) -> str:
    return f"{recorded:%Y-%m-%d %H:%M %Z}" if recorded else ""


def _record(record: RecordedFact) -> dict[str, Any]:
    return {
        "reference": record.reference,
        "recorded": record.recorded.isoformat() if record.recorded else None,
        "original": record.original,
    }


def _why(writer: _ExplanationTrees, explanation: Explanation) -> Tree:
    rule = explanation.rule
    if explanation.fires:
        return Tree(f"{rule.id} fires", [writer.rule(explanation)], opened=3)
    blockers = tuple(Node(text, "bad") for text in explanation.in_the_way)
    return Tree(f"Why not {rule.id}", [Node("in the way", None, blockers), writer.rule(explanation)], opened=3)


def _line(ruleset: Ruleset, explainer: Explainer, name: str) -> NumberLine:
    fact = ruleset.vocabulary[name]
    return NumberLine(
        title=f"Size along {fact.label}, all else equal",
        unit=fact.unit or "",
        stretches=[Stretch(span.low, span.high, span.outcome) for span in explainer.along(name)],
        here=float(explainer.facts[name]),
    )


class _ExplanationTrees:
    """Explanations as trees; a fact that rules worked out opens on the rule that did."""

    def __init__(self, ruleset: Ruleset, explanations: dict[str, Explanation]) -> None:
        self.ruleset = ruleset
        self.explanations = explanations

    def rule(self, explanation: Explanation) -> Node:
        rule = explanation.rule
        sources = [self.ruleset.sources[name] for name in rule.sources]
        return Node(
            f"{rule.id}: {rule.title}",
            "good" if explanation.fires else "quiet",
            (
                Node("when", None, (self.reason(explanation.reason),)),
                Node("then", None, tuple(Node(line) for line in describe_effects(self.ruleset, rule))),
                Node(f"because {rule.because}"),
                Node(
                    "sources",
                    None,
                    tuple(Node(f"{one.id} ({one.kind.replace('_', ' ')}): {one.citation}") for one in sources),
                ),
            ),
        )

    def reason(self, reason: ReasonNode) -> Node:
        below = tuple(self.reason(part) for part in reason.below)
        if reason.observation is not None:
            below = (self.observation(reason.observation),)
        return Node(reason.text, _STATES[reason.truth], below)

    def observation(self, seen: Observation) -> Node:
        if seen.value is None:
            return Node(f"{seen.fact} is not recorded")
        words = f"{seen.fact} = {describe_value(seen.value)}"
        if seen.worked_out_by is not None:
            below = (self.rule(self.explanations[seen.worked_out_by]),)
            return Node(f"{words}, worked out by {seen.worked_out_by}", None, below)
        return Node(f"{words}, recorded{_behind(seen.record)}")


def _behind(record: RecordedFact | None) -> str:
    """In which record, when, and as what, as far as that is known."""
    if record is None:
        return ""
    parts = (
        f" in {record.reference}" if record.reference else "",
        f" at {_moment(record.recorded)}" if record.recorded else "",
        f" as {record.original!r}" if record.original else "",
    )
    return "".join(parts)


def _data(explanation: Explanation) -> dict[str, Any]:
    return {
        "rule": explanation.rule.id,
        "fires": explanation.fires,
        "in_the_way": list(explanation.in_the_way),
        "condition": _reason_data(explanation.reason),
        "sources": list(explanation.rule.sources),
    }


def _reason_data(reason: ReasonNode) -> dict[str, Any]:
    data: dict[str, Any] = {"text": reason.text, "truth": reason.truth}
    if reason.observation is not None:
        data |= {
            "value": reason.observation.value,
            "record": _record(reason.observation.record) if reason.observation.record else None,
            "worked_out_by": reason.observation.worked_out_by,
        }
    if reason.below:
        data["parts"] = [_reason_data(part) for part in reason.below]
    return data
