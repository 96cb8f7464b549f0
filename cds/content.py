"""The content that a running service decides by, loaded together and swapped together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

from cds.fhir.canonical import Canonicals
from cds.fhir.codes import CodeMap
from cds.fhir.knowledge import artefacts
from cds.fhir.loading_codes import load_code_map
from cds.hook_request import Resource
from cds.order_size import orders_a_collar
from cds.settings import Settings
from rules.decide import Decider
from rules.loading import KNOWLEDGE, load_ruleset
from rules.ruleset import Ruleset


@dataclass(frozen=True)
class Content:
    """A rule set, its decider, and the code map for its facts."""

    ruleset: Ruleset
    decider: Decider
    code_map: CodeMap

    @classmethod
    def load(cls, settings: Settings) -> Content:
        """Read what ``settings`` name. Raises KnowledgeError with every problem found."""
        ruleset = load_ruleset(settings.knowledge or KNOWLEDGE, settings.overlays)
        code_map = load_code_map(ruleset, [settings.code_map] if settings.code_map else [], settings.canonical_base)
        return cls(ruleset, Decider(ruleset), code_map)

    @cached_property
    def artefacts(self) -> Mapping[tuple[str, str], Resource]:
        """The rule set as published FHIR artefacts, by type and id; made when first asked for."""
        return artefacts(self.ruleset, self.code_map.base)

    def collar_orders(self, orders: Iterable[Resource]) -> list[Resource]:
        """Those of ``orders`` that order a collar, by the code map or because we suggested them ourselves."""
        urls = Canonicals(self.code_map.base)
        return [order for order in orders if orders_a_collar(order, self.code_map, urls)]

    @property
    def stamp(self) -> str:
        """Name, version and hash of the rule set, as every response carries them in the header ``Nuque-Ruleset``."""
        return f"{self.ruleset.name}/{self.ruleset.version}; hash={self.ruleset.hash}"
