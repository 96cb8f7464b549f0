"""What rules ask for at the bedside, apart from what would change the size: by priority, then dangers first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rules.evaluation.interpreter import Firing
from rules.model.decision import AxisDecision, MeasureNext, NotRecorded, NotUsed, Question, RefusalKind
from rules.model.ruleset import Ruleset

_UNREADABLE: tuple[RefusalKind, ...] = (
    *("unit", "implausible", "code", "malformed", "modifier"),
    *("contradiction", "no time", "future"),
)
"""Why a measurement is refused that somebody took all the same; not where it is of old, taken back, or of somebody else."""
MOST_ASKED = 5
"""Questions that a decision asks at once; a page or a card shows fewer, and all dangers stand in the line of those missing."""


def questions(ruleset: Ruleset, firing: Firing) -> tuple[Question, ...]:
    """Every unrecorded fact that a rule of ``firing`` asks for: by the rule's priority, then dangers, then as the rules come.

    ``ruleset`` gives the wording and the priority.
    """
    asking: dict[str, list[str]] = {}
    for rule in firing.fired:
        for fact in rule.then.questions:
            if fact not in firing.facts:
                asking.setdefault(fact, []).append(rule.id)
    found = [_question(ruleset, fact, rules) for fact, rules in asking.items()]
    return tuple(sorted(found, key=lambda question: (-_priority(ruleset, question), not question.danger)))


def unread_measurements(
    ruleset: Ruleset, measure_next: Iterable[MeasureNext], not_used: Iterable[NotUsed]
) -> dict[str, tuple[str, ...]]:
    """Measurements that are on record and could not be read, as written, by fact: those that could still change the size.

    ``measure_next`` holds what could still change the size, ``not_used`` what was left out of the record and why, and
    ``ruleset`` tells which facts are measurements.
    """
    wanted = {measure.fact for measure in measure_next}
    found: dict[str, dict[str, None]] = {}
    for one in not_used:
        if one.fact in wanted and one.kind in _UNREADABLE and ruleset.vocabulary[one.fact].mistaken_units:
            found.setdefault(one.fact, {})[one.value] = None
    return {fact: tuple(values) for fact, values in found.items()}


def asked_anew(
    ruleset: Ruleset,
    measure_next: Iterable[MeasureNext],
    not_used: Iterable[NotUsed],
    axes: Mapping[str, AxisDecision],
) -> tuple[Question, ...]:
    """What the record says of a measurement and could not be read: asked for first, for a guess stands in for it.

    ``not_used`` holds what could not be read, ``measure_next`` what could still change the size; ``ruleset`` has the
    labels. The rules of each question are those of the stand-in, found in ``axes``, the decision on each axis by its
    name.
    """
    measured = {measure.fact: measure for measure in measure_next}
    return tuple(
        Question(
            fact=fact,
            label=ruleset.vocabulary[fact].label,
            ask=f"The record says {' and '.join(written)} for the {ruleset.vocabulary[fact].label}, not used: "
            "how much is it? Measure it.",
            danger=False,
            rules=tuple(dict.fromkeys(rule for axis in measured[fact].axes for rule in axes[axis].rules)),
        )
        for fact, written in unread_measurements(ruleset, measured.values(), not_used).items()
    )


def _priority(ruleset: Ruleset, question: Question) -> int:
    return max(ruleset.rules[rule].priority for rule in question.rules)


def _question(ruleset: Ruleset, fact: str, rules: list[str]) -> Question:
    definition = ruleset.vocabulary[fact]
    return Question(
        fact=fact,
        label=definition.label,
        ask=definition.ask or definition.meaning,
        danger=definition.danger is not None,
        rules=tuple(rules),
    )


def dangers_not_recorded(
    ruleset: Ruleset, asked: tuple[Question, ...], not_used: Iterable[NotUsed] = ()
) -> NotRecorded | None:
    """One line for all the dangers among the questions ``asked``, or None where all of them are recorded.

    What is on record and is ``not_used``, so that a person has to look it up, is not called unrecorded. ``ruleset``
    tells which facts are dangers, and what each is called.
    """
    named = {one.fact for one in not_used if one.look_up}
    dangers = [
        (question, danger)
        for question in asked
        if (danger := ruleset.vocabulary[question.fact].danger) and question.fact not in named
    ]
    if not dangers:
        return None
    return NotRecorded(
        text=f"Not recorded: {', '.join(dict.fromkeys(danger.name for _, danger in dangers))}.",
        facts=tuple(question.fact for question, _ in dangers),
        rules=tuple(dict.fromkeys(rule for question, _ in dangers for rule in question.rules)),
    )
