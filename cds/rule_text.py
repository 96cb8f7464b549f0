"""One rule as readable text: when it fires, what it does, why, and what stands behind it."""

from __future__ import annotations

from collections.abc import Iterator

from rules import arithmetic
from rules.conditions import AllOf, AnyOf, Condition, NoneOf, describe
from rules.ruleset import Correction, Rule, Ruleset

_GROUPS = {AllOf: "all of", AnyOf: "any of", NoneOf: "none of"}


def describe_rule(ruleset: Ruleset, rule: Rule) -> str:
    """``rule`` in full, as lines of text."""
    lines = [f"{rule.id}: {rule.title}", "", "When"]
    lines += _condition(rule.when, 1)
    lines += ["Then", *(f"  {line}" for line in _effects(ruleset, rule))]
    lines += ["Because", f"  {rule.because}"]
    if rule.parameters:
        lines.append("Parameters")
        lines += [f"  {_parameter(ruleset, name)}" for name in rule.parameters]
    lines.append("Evidence: " + ", ".join(kind.replace("_", " ") for kind in ruleset.evidence(rule)))
    for cited in rule.sources:
        source = ruleset.sources[cited]
        memory = " (recalled from memory; to be read again)" if source.from_memory else ""
        lines.append(f"  {cited}: {source.citation}{memory}")
    lines.append(
        f"Defined in {rule.place.file}, line {rule.place.line}" + (" (added by the site)" if rule.local else "")
    )
    return "\n".join(lines)


def _condition(condition: Condition, depth: int) -> list[str]:
    indent = "  " * depth
    if isinstance(condition, (AllOf, AnyOf, NoneOf)) and condition.children:
        lines = [f"{indent}{_GROUPS[type(condition)]}"]
        for child in condition.children:
            lines += _condition(child, depth + 1)
        return lines
    return [f"{indent}{describe(condition)}"]


def _effects(ruleset: Ruleset, rule: Rule) -> Iterator[str]:
    then = rule.then
    for conclusion in then.conclusions:
        value = conclusion.value if conclusion.expression is None else arithmetic.render(conclusion.expression)
        yield f"conclude {conclusion.fact} = {value}"
    for offer in then.sizes:
        words = ruleset.axes[offer.axis].words[offer.value]
        yield f"offer {offer.value} ({words}), {offer.basis}, priority {rule.priority}"
    for hold in then.holds:
        yield f"give no size ({hold.kind.replace('_', ' ')}): {hold.text}"
    for caution in then.cautions:
        yield f"caution ({caution.severity}): {caution.text}"
    for call in then.tasks:
        when = call.timing.describe(dict(ruleset.triggers))
        yield f"task {call.task} ({ruleset.tasks[call.task].title}): {when}" + (
            f"; {call.detail}" if call.detail else ""
        )
    for correction in then.corrections:
        yield _correction(ruleset, correction)


def _correction(ruleset: Ruleset, correction: Correction) -> str:
    of = "" if correction.finding is None else f" {ruleset.vocabulary[correction.finding].label}"
    if correction.step is not None:
        way = "up" if correction.step.by > 0 else "down"
        what = f"one step {way} in {ruleset.axes[correction.step.axis].title}"
    else:
        what = {"reseat": "seat again", "refer": "ask the orthotist", "stop": "stop and call"}[correction.action]
    return f"correct{of}: {what}; {correction.cause} {correction.correction}"


def _parameter(ruleset: Ruleset, name: str) -> str:
    parameter = ruleset.parameters[name]
    unit = f" {parameter.unit}" if parameter.unit else ""
    local = f" (set by the site; default {parameter.default})" if parameter.is_local else ""
    confirm = ", to be confirmed by the site" if parameter.confirm else ""
    return f"{name} = {parameter.value}{unit}{local}{confirm}"
