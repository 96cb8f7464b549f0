"""One rule as readable text: when it fires, what it does, why, and what stands behind it."""

from __future__ import annotations

from rules.model.conditions import AllOf, AnyOf, Condition, NoneOf, describe
from rules.model.rule_text import describe_effects
from rules.model.ruleset import Rule, Ruleset

_GROUPS = {AllOf: "all of", AnyOf: "any of", NoneOf: "none of"}


def describe_rule(ruleset: Ruleset, rule: Rule) -> str:
    """``rule`` of ``ruleset`` in full, as lines of text."""
    lines = [f"{rule.id}: {rule.title}", "", "When"]
    lines += condition_lines(rule.when, 1)
    lines += ["Then", *(f"  {line}" for line in describe_effects(ruleset, rule))]
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


def condition_lines(condition: Condition, depth: int = 0) -> list[str]:
    """``condition`` as a tree of lines, each level indented by two blanks more, from ``depth`` levels on."""
    indent = "  " * depth
    if isinstance(condition, (AllOf, AnyOf, NoneOf)) and condition.children:
        lines = [f"{indent}{_GROUPS[type(condition)]}"]
        for child in condition.children:
            lines += condition_lines(child, depth + 1)
        return lines
    return [f"{indent}{describe(condition)}"]


def _parameter(ruleset: Ruleset, name: str) -> str:
    parameter = ruleset.parameters[name]
    unit = f" {parameter.unit}" if parameter.unit else ""
    local = f" (set by the site; default {parameter.default})" if parameter.is_local else ""
    confirm = ", to be confirmed by the site" if parameter.confirm else ""
    return f"{name} = {parameter.value}{unit}{local}{confirm}"
