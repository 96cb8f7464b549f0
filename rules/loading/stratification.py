"""Which rules may be evaluated together: layers in which a rule reads only what earlier layers conclude.

All rules that conclude the same fact stand in one layer, so that the highest priority among them wins whatever they read.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from graphlib import CycleError, TopologicalSorter

from rules.errors import KnowledgeError
from rules.model.ruleset import Rule


def layered(rules: Sequence[Rule]) -> tuple[tuple[Rule, ...], ...]:
    """``rules`` in layers, each in file order. Raises KnowledgeError that spells out a cycle where there is one."""
    writers: dict[str, list[int]] = defaultdict(list)
    for index, rule in enumerate(rules):
        for fact in rule.writes:
            writers[fact].append(index)
    group = _groups(len(rules), writers)
    before: dict[int, set[int]] = {leader: set() for leader in group}
    for index, rule in enumerate(rules):
        before[group[index]] |= {group[writer] for fact in rule.reads for writer in writers[fact]}
    sorter = TopologicalSorter(before)
    try:
        sorter.prepare()
    except CycleError as error:
        leaders: list[int] = error.args[1]
        path = " -> ".join(rules[leader].id for leader in leaders)
        raise KnowledgeError([(rules[leaders[0]].place, f"rules conclude each other in a circle: {path}")]) from error
    members: dict[int, list[int]] = defaultdict(list)
    for index, leader in enumerate(group):
        members[leader].append(index)
    layers: list[tuple[Rule, ...]] = []
    while sorter.is_active():
        ready = sorter.get_ready()
        layers.append(tuple(rules[index] for index in sorted(i for leader in ready for i in members[leader])))
        sorter.done(*ready)
    return tuple(layers)


def _groups(count: int, writers: dict[str, list[int]]) -> list[int]:
    """For each rule the first rule of its group; rules that conclude a fact in common share a group."""
    leader = list(range(count))

    def find(index: int) -> int:
        """The position (from 0) of the first rule known to be in one group with the rule at ``index``."""
        while leader[index] != index:
            index = leader[index]
        return index

    for indices in writers.values():
        for other in indices[1:]:
            first, second = sorted((find(indices[0]), find(other)))
            leader[second] = first
    return [find(index) for index in range(count)]
