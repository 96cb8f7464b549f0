"""How sure each part of a size is, in words: what was measured, what was estimated, and what nobody recorded."""

from __future__ import annotations

from rules.model.decision import Decision
from rules.model.ruleset import Basis, Ruleset

_NAMES = {"line": "age", "contour": "head position", "back": "bed rest"}
"""What was recorded, by the axis that it decides; every other axis goes by its title."""
_SAID: dict[Basis, str] = {"measured": "measured", "observed": "estimated", "assumed": "not recorded"}
_FROM_ELSEWHERE = frozenset({"back"})
"""Axes of which nobody estimates anything: where nothing is recorded of them, something else that is recorded tells."""
_INFERRED = "taken from other records"


def by_part(ruleset: Ruleset, decision: Decision) -> str:
    """How each part of the size of ``decision`` is known: ``Height and circumference measured; head position not recorded``.

    The parts are named as the axes of ``ruleset`` are. Of those that are not measured with a tape only those are named
    of which something is missing.
    """
    parts: dict[str, list[str]] = {}
    for basis in _SAID:
        for axis in decision.axes.values():
            if axis.confidence == basis and (basis != "measured" or ruleset.axes[axis.axis].edges):
                name = _NAMES.get(axis.axis, ruleset.axes[axis.axis].title)
                words = _INFERRED if basis == "observed" and axis.axis in _FROM_ELSEWHERE else _SAID[basis]
                parts.setdefault(words, []).append(name)
    said = "; ".join(f"{_listed(names)} {words}" for words, names in parts.items())
    return f"{said[:1].upper()}{said[1:]}"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
