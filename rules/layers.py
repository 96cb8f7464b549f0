"""Which rules may be evaluated together: layers in which a rule reads only what earlier layers conclude."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from graphlib import CycleError, TopologicalSorter

from rules.errors import KnowledgeError
from rules.ruleset import Rule


def layered(rules: Sequence[Rule]) -> tuple[tuple[Rule, ...], ...]:
    """``rules`` in layers, each in file order. Raises KnowledgeError that spells out a cycle where there is one."""
    writers: dict[str, list[Rule]] = defaultdict(list)
    for rule in rules:
        for fact in rule.writes:
            writers[fact].append(rule)
    before = {rule.id: {writer.id for fact in rule.reads for writer in writers[fact]} for rule in rules}
    by_id = {rule.id: rule for rule in rules}
    sorter = TopologicalSorter(before)
    try:
        sorter.prepare()
    except CycleError as error:
        path = error.args[1]
        place = by_id[path[0]].place
        raise KnowledgeError([(place, f"rules conclude each other in a circle: {' -> '.join(path)}")]) from error
    position = {rule.id: index for index, rule in enumerate(rules)}
    layers: list[tuple[Rule, ...]] = []
    while sorter.is_active():
        ready = sorter.get_ready()
        layers.append(tuple(by_id[name] for name in sorted(ready, key=position.__getitem__)))
        sorter.done(*ready)
    return tuple(layers)
