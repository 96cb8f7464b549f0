"""A decision narrowed to some topics of the rule set: the same decision with fewer cautions and tasks.

A danger speaks whenever a chart is opened, and so does what goes before the collar: critical cautions and those that lead are kept
whatever their topic.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from rules.model.decision import Decision
from rules.model.ruleset import Ruleset


def of_topics(rules: Iterable[str], ruleset: Ruleset, topics: Collection[str]) -> bool:
    """Whether any of ``rules`` (ids in ``ruleset``) belongs to one of ``topics``."""
    return any(ruleset.rules[rule].topic in topics for rule in rules)


def narrowed(decision: Decision, ruleset: Ruleset, topics: Collection[str]) -> Decision:
    """``decision`` with tasks and cautions that rules of ``topics`` in ``ruleset`` gave.

    What leads and what is critical stays, of whatever topic.
    """
    leading = {rule for caution in decision.leading for rule in caution.rules}
    return decision.model_copy(
        update={
            "cautions": tuple(c for c in decision.cautions if c.presses or of_topics(c.rules, ruleset, topics)),
            "tasks": tuple(
                t for t in decision.tasks if leading.intersection(t.rules) or of_topics(t.rules, ruleset, topics)
            ),
        }
    )
