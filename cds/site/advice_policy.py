"""How the service gives its advice: how many cards a call gets, and how grave it is when an order contradicts a decision.

These are clinical choices, so they stand in the rule set (``rules/knowledge/service.yaml``), where a site confirms and changes
them like any other parameter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast, get_args

from rules.errors import KnowledgeError, Place
from rules.model.ruleset import SEVERITIES, Ruleset, Severity

Contradiction = Literal[
    "size_withheld",
    "line_not_supported",
    "size_differs",
    "adult_for_a_child",
    "item_misfits",
    "people_missing",
    "no_skin_care",
]
"""What an order can get wrong, as ``order-sign`` says it."""


@dataclass(frozen=True)
class AdvicePolicy:
    """The most cards of each severity in one call, and the severity of each contradiction of an order."""

    cards_at_most: Mapping[Severity, int]
    severity: Mapping[Contradiction, Severity]

    @classmethod
    def of(cls, ruleset: Ruleset) -> AdvicePolicy:
        """The policy that ``ruleset`` sets by its parameters. Raises KnowledgeError that names every one it lacks."""
        at_most = {severity: f"cards_{severity}_at_most" for severity in SEVERITIES}
        severity = {contradiction: f"order_{contradiction}_severity" for contradiction in get_args(Contradiction)}
        lacking = [name for name in (*at_most.values(), *severity.values()) if name not in ruleset.parameters]
        if lacking:
            raise KnowledgeError(
                [(Place("parameters"), f"the service needs a parameter called {name!r}") for name in lacking]
            )
        return cls(
            cards_at_most={kind: int(ruleset.number(name)) for kind, name in at_most.items()},
            severity={kind: cast(Severity, ruleset.parameters[name].value) for kind, name in severity.items()},
        )
