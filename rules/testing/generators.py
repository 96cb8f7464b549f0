"""Generated patients: plausible facts, drawn so that rules are met at, and on both sides of, every threshold.

The same seed gives the same patients. They are test material, not a picture of any population.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

from rules.evaluation.information_gain import cuts, representatives
from rules.model.facts import FactDefinition, FactValue
from rules.model.ruleset import Ruleset

_STEPS = 21
"""How many answers stand for a number that rules compute with and never compare."""


class Generator:
    """Draws patients for one ruleset."""

    def __init__(self, ruleset: Ruleset, seed: int = 0) -> None:
        """Note which answers for each fact reach every side of every comparison."""
        edges = cuts(ruleset)
        self._random = random.Random(seed)
        self._facts = [fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"]
        self._answers = {fact.name: representatives(fact, edges.get(fact.name, ()), _STEPS) for fact in self._facts}

    def patient(self) -> dict[str, FactValue]:
        """One patient. How much is known varies from nothing to everything."""
        share = self._random.random()
        return {fact.name: self.answer(fact) for fact in self._facts if self._random.random() < share}

    def patients(self, count: int) -> Iterator[dict[str, FactValue]]:
        """``count`` patients."""
        for _ in range(count):
            yield self.patient()

    def answer(self, fact: FactDefinition) -> FactValue:
        """One plausible value for ``fact``: as often one at or between thresholds as one from anywhere in its range."""
        if fact.type != "number" or fact.range is None or self._random.random() < 0.5:
            return self._random.choice(self._answers[fact.name])
        return fact.on_step(round(self._random.uniform(*fact.range), 1))
