"""Whom the questions on paper leave out."""

from collections.abc import Collection, Mapping

from rules.batch.question_tree import beyond_paper
from rules.model.facts import FactValue
from rules.model.ruleset import Axis, Rule, Ruleset


def is_beyond_paper(ruleset: Ruleset, axis: Axis, facts: Mapping[str, FactValue], fired: Collection[Rule]) -> bool:
    """Whether the engine estimates this dimension, which nobody measured, from the body, or leaves open which line it is."""
    return axis.fact not in facts and any(rule in fired for rule in beyond_paper(ruleset, axis))
