"""The content that a running service decides by, loaded together and swapped together."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from urllib.parse import quote

from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.code_map_loader import load_code_map
from cds.fhir.reading.patient import AGE
from cds.protocol.prefetch import Query
from cds.protocol.request import Resource
from cds.settings import Settings
from cds.site.advice_policy import AdvicePolicy
from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Shelf
from cds.site.prefetch_queries import queries
from rules.batch.answer_partitions import Answers, groups
from rules.deciding.decider import Decider
from rules.loading.loader import KNOWLEDGE, load_ruleset
from rules.model.decision import Decision, to_look_up
from rules.model.facts import FactValue
from rules.model.ruleset import Ruleset

_OVER = ("revoked", "completed", "entered-in-error")
"""The states (FHIR request-status) of an order with which nothing is to be done any more."""


@dataclass(frozen=True)
class Content:
    """A rule set, its decider, the code map for its facts, the site's catalogue where there is one, and how advice is given."""

    ruleset: Ruleset
    decider: Decider
    code_map: CodeMap
    catalogue: Catalogue | None
    policy: AdvicePolicy

    @classmethod
    def load(cls, settings: Settings) -> Content:
        """Read what ``settings`` name. Raises KnowledgeError with every problem found."""
        ruleset = load_ruleset(settings.knowledge or KNOWLEDGE, settings.overlays)
        code_map = load_code_map(ruleset, [settings.code_map] if settings.code_map else [], settings.canonical_base)
        catalogue = None if settings.catalogue is None else Catalogue.load(settings.catalogue, ruleset)
        code_map = code_map if catalogue is None else catalogue.with_items(code_map)
        content = cls(ruleset, Decider(ruleset), code_map, catalogue, AdvicePolicy.of(ruleset))
        content._warm_up()
        return content

    def _warm_up(self) -> None:
        """Compile the rules and cut the queries now: the first call would wait for it, four times as long as the others."""
        assert self.queries
        self.decider.warm_up()

    @cached_property
    def artefacts(self) -> Mapping[tuple[str, str], Resource]:
        """The rule set as published FHIR artefacts, by type and id; made when first asked for."""
        # Imported here: no hook needs it.
        from cds.fhir.publishing.artifacts import artefacts

        return artefacts(self.ruleset, self.code_map.base, self.code_map)

    @cached_property
    def queries(self) -> tuple[Query, ...]:
        """The prefetch queries of every service, made once: to cut them to length takes longer than to answer a call."""
        return queries(self.ruleset, self.code_map)

    def collar_orders(
        self, orders: Iterable[Resource], as_read: Callable[[Resource], Resource] = lambda order: order
    ) -> list[Resource]:
        """Those of ``orders`` that order a collar, by the code map, and are not over.

        ``as_read`` gives an order with what it names elsewhere.
        """
        standing = (order for order in orders if order.get("status") not in _OVER)
        return [order for order in standing if self.code_map.is_collar_order(as_read(order))]

    @cached_property
    def _clock_bands(self) -> Mapping[str, tuple[Answers, ...]]:
        """What the rules tell apart of each fact that changes by itself: ages, and hours since something."""
        rules = self.ruleset.rules.values()
        return {fact: groups(fact, rules, self.ruleset) for fact in (AGE, *self.code_map.elapsing)}

    def compared(self, decision: Decision) -> dict[str, FactValue]:
        """The facts of ``decision`` by which another decision is news: values, without the times at which they were recorded.

        Of what changes with the clock only the band counts that rules tell apart: else no two moments would be alike. What a
        person has to read in the record is news too, under the empty name.
        """
        known = {fact.name: self._band(fact.name, fact.value) for fact in decision.facts}
        unread = "; ".join(sorted(to_look_up(decision.not_used)))
        return known | ({"": unread} if unread else {})

    def _band(self, fact: str, value: FactValue) -> FactValue:
        bands = self._clock_bands.get(fact, ())
        return next((number for number, band in enumerate(bands) if value in band), value)

    def shelf(self, decision: Decision) -> Shelf | None:
        """The items that fit ``decision``, or why none does; None where the site has no catalogue."""
        return None if self.catalogue is None else self.catalogue.fitting(decision)

    @cached_property
    def stamp(self) -> str:
        """Name, version and hash of the rule set, as every response carries them in the header ``Nuque-Ruleset``.

        Loading allows only names and versions that a header can carry; whatever came here another way is percent-encoded, since
        a header that cannot be built would fail every call, health included.
        """
        name, version = (quote(words, safe="+") for words in (self.ruleset.name, self.ruleset.version))
        return f"{name}/{version}; hash={self.ruleset.hash}"
