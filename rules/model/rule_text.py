"""What a rule does, in words: one line an effect."""

from __future__ import annotations

from collections.abc import Iterator

from rules.model import expressions
from rules.model.facts import FactValue
from rules.model.ruleset import Correction, Rule, Ruleset


def describe_effects(ruleset: Ruleset, rule: Rule) -> Iterator[str]:
    """The effects of ``rule``, one line each."""
    then = rule.then
    for conclusion in then.conclusions:
        value = (
            describe_value(conclusion.value)
            if conclusion.expression is None
            else expressions.render(conclusion.expression)
        )
        yield f"conclude {conclusion.fact} = {value}"
    for offer in then.sizes:
        words = ruleset.axes[offer.axis].words[offer.value]
        first = ", first" if offer.first else ""
        yield f"offer {offer.value} ({words}){first}, {offer.basis}, priority {rule.priority}"
    for hold in then.holds:
        yield f"give no size ({hold.kind.replace('_', ' ')}): {hold.text}"
    for caution in then.cautions:
        yield f"caution ({caution.severity}): {caution.text}"
    for call in then.tasks:
        who = [f"by {ruleset.roles[call.performer]}"] if call.performer is not None else []
        who += [f"{call.people} people"] if call.people is not None else []
        who += [f"{ruleset.hands[name].words}: {count}" for name, count in call.hands.items()]
        detail = f"; {call.detail}" if call.detail else ""
        line = ", ".join([call.timing.describe(ruleset.triggers), *who])
        if call.joins:
            yield f"where the task {call.task} is asked for: {', '.join(who)}{detail}"
            continue
        yield f"task {call.task} ({ruleset.tasks[call.task].title}): {line}{detail}"
    for correction in then.corrections:
        yield _correction(ruleset, correction)
    for name in then.instructions:
        yield f"hand out {name}"
    for name in then.questions:
        yield f"ask for {name} where it is not recorded"


def _correction(ruleset: Ruleset, correction: Correction) -> str:
    of = "" if correction.finding is None else f" {ruleset.vocabulary[correction.finding].label}"
    if correction.step is not None:
        way = "up" if correction.step.by > 0 else "down"
        what = f"one step {way} in {ruleset.axes[correction.step.axis].title}"
    else:
        what = {"reseat": "seat again", "refer": "ask the orthotist", "stop": "stop and call"}[correction.action]
    return f"correct{of}: {what}; {correction.cause} {correction.correction}"


def describe_value(value: FactValue | None) -> str:
    """``value`` as a knowledge file writes it; a missing one is ``unknown``."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)
