"""The content that a running service decides by, loaded together and swapped together."""

from __future__ import annotations

from dataclasses import dataclass

from cds.settings import Settings
from rules.decide import Decider
from rules.loading import KNOWLEDGE, load_ruleset
from rules.ruleset import Ruleset


@dataclass(frozen=True)
class Content:
    """A rule set and its decider."""

    ruleset: Ruleset
    decider: Decider

    @classmethod
    def load(cls, settings: Settings) -> Content:
        """Read what ``settings`` name. Raises KnowledgeError with every problem found."""
        ruleset = load_ruleset(settings.knowledge or KNOWLEDGE, settings.overlays)
        return cls(ruleset, Decider(ruleset))

    @property
    def stamp(self) -> str:
        """Name, version and hash of the rule set, as every response carries them in the header ``Nuque-Ruleset``."""
        return f"{self.ruleset.name}/{self.ruleset.version}; hash={self.ruleset.hash}"
