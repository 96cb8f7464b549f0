"""Hypothesis strategies for patients: any subset of the facts, each with any plausible value, thresholds hit exactly."""

from __future__ import annotations

from hypothesis import strategies as st

from rules.facts import FactDefinition, FactValue
from rules.measure_next import cuts
from rules.ruleset import Ruleset


def fact_values(fact: FactDefinition, edges: frozenset[float]) -> st.SearchStrategy[FactValue]:
    """Plausible values of one fact, with its thresholds and their close neighbours drawn often."""
    if fact.type == "boolean":
        return st.booleans()
    if fact.type == "code":
        return st.sampled_from(fact.values)
    low, high = fact.range or (-1e6, 1e6)
    if fact.type == "integer":
        return st.integers(int(low), int(high))
    near = [edge + shift for edge in edges for shift in (-0.001, 0, 0.001) if low <= edge + shift <= high]
    spread = st.floats(low, high, allow_nan=False)
    return st.one_of(st.sampled_from(near), spread) if near else spread


def patients(ruleset: Ruleset) -> st.SearchStrategy[dict[str, FactValue]]:
    """Facts that an observer may give, each known or unknown."""
    edges = cuts(ruleset)
    optional = {
        name: fact_values(fact, edges.get(name, frozenset()))
        for name, fact in ruleset.vocabulary.items()
        if fact.given != "concluded"
    }
    return st.fixed_dictionaries({}, optional=optional)
