"""The condition of a rule as people say it: labels instead of names, units in words, one line a comparison."""

from __future__ import annotations

from dataclasses import dataclass

from rules.model.conditions import (
    AllOf,
    AnyOf,
    Comparator,
    Compare,
    Condition,
    Known,
    NoneOf,
    Unknown,
    UnlessKnownNot,
)
from rules.model.quantity_words import quantity_words, value_words
from rules.model.ruleset import Ruleset

_GROUPS = {AllOf: "All of these", AnyOf: "One or more of these", NoneOf: "None of these"}
_COMPARED: dict[Comparator, str] = {
    "is": "",
    "is_not": "not ",
    "one_of": "one of ",
    "not_one_of": "none of ",
    "at_least": "at least ",
    "above": "above ",
    "at_most": "at most ",
    "below": "below ",
}


@dataclass(frozen=True)
class ConditionPart:
    """One part of a condition: what it says, and the parts below it."""

    words: str
    below: tuple[ConditionPart, ...] = ()


def condition_words(ruleset: Ruleset, condition: Condition) -> ConditionPart:
    """``condition`` with all its parts, in the words of ``ruleset``."""
    if isinstance(condition, (AllOf, AnyOf, NoneOf)) and condition.children:
        return ConditionPart(
            _GROUPS[type(condition)], tuple(condition_words(ruleset, child) for child in condition.children)
        )
    words = _words(ruleset, condition)
    return ConditionPart(words[:1].upper() + words[1:])


def _words(ruleset: Ruleset, condition: Condition) -> str:
    match condition:
        case Compare(fact, comparator, value, _):
            values = value if isinstance(value, tuple) else (value,)
            *others, last = values
            words = [*map(value_words, others), quantity_words(last, ruleset.vocabulary[fact].unit)]
            shown = f"{_COMPARED[comparator]}{', '.join(words)}"
            return f"{ruleset.vocabulary[fact].label}: {shown}"
        case Known(fact):
            return f"{ruleset.vocabulary[fact].label}: {_known(ruleset, fact)}"
        case Unknown(fact):
            return f"{ruleset.vocabulary[fact].label}: not {_known(ruleset, fact)}"
        case UnlessKnownNot(comparison):
            return f"{_words(ruleset, comparison)}, or not recorded"
        case AnyOf():
            return "for nobody"
        case _:
            return "for everybody"


def _known(ruleset: Ruleset, fact: str) -> str:
    """What rules conclude nobody records: of it is said whether one of them said anything."""
    return "said by a rule" if ruleset.vocabulary[fact].given == "concluded" else "known"
