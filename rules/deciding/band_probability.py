"""How probable each band of an estimated dimension is: the estimate taken as normally distributed."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import inf
from statistics import NormalDist

from rules.evaluation.hit_policy import AxisChoice
from rules.evaluation.interpreter import Firing
from rules.model.ruleset import Axis, Ruleset


def band_probabilities(ruleset: Ruleset, axis: Axis, choice: AxisChoice, firing: Firing) -> dict[str, float]:
    """The probability (0 to 1, to two digits) of each candidate on ``axis``; empty where the candidates rest on no estimate.

    ``choice`` holds the candidates of the axis, ``firing`` the facts with mean and spread of the estimate, and
    ``ruleset`` says which rules read the mean.
    """
    if axis.estimate is None or not any(axis.estimate.mean in ruleset.rules[name].reads for name in choice.rules):
        return {}
    mean, spread = (_number(firing.facts, name) for name in (axis.estimate.mean, axis.estimate.spread))
    if mean is None or spread is None:
        return {}
    below = [
        0.0 if edge == -inf else 1.0 if edge == inf else NormalDist(mean, spread).cdf(edge) for edge in _ends(axis)
    ]
    shares = {value: high - low for value, (low, high) in zip(axis.values, pairwise(below), strict=True)}
    return {value: round(shares[value], 2) for value in choice.candidates}


def share_in_words(share: float) -> str:
    """How many people like the patient have a girth in the band whose probability is ``share``."""
    of_hundred = round(share * 100)
    if of_hundred >= 100:
        return "nearly all such people have this circumference"
    if of_hundred <= 0:
        return "hardly any such people have this circumference"
    return f"about {of_hundred} of 100 such people have this circumference"


def _ends(axis: Axis) -> tuple[float, ...]:
    return (-inf, *axis.edges, inf)


def _number(facts: Mapping[str, object], name: str) -> float | None:
    value = facts.get(name)
    return float(value) if isinstance(value, (int, float)) else None
