"""A Ruleset on durable_rules: each layer becomes a few rulesets of a host, a patient's facts one asserted fact in each.

Measured traps of durable_rules 2.0.28 that this module is built around (tests/rules/evaluation/test_durable_engine_traps.py
shows each):

- an event is consumed by the first rule that matches, so facts are asserted;
- a rule fires once for each true branch of an "or", so matches are counted once;
- more than 64 alternatives that are true at once are an error, so a layer is cut into parts with fewer;
- a host keeps at most 1,024 live sessions, so each evaluation's session is deleted;
- deleting a session whose message matched no rule corrupts memory, so each part holds a rule that always matches;
- ``$nex`` can hang, so it is never emitted and "unknown" travels as a marker, which also makes a danger count that nobody
  looked for; it is asserted with its layer, after every layer that can conclude the fact; a null matches no comparison;
- numbers written with an exponent are not understood, so none is sent;
- an exception in an action is hidden in the state, so it is looked for and raised;
- what was compiled is kept for ever (4 MB for the shipped content), so it is freed with the engine;
- the host's timer threads would run actions behind our back, so they are never started.
"""

from __future__ import annotations

import itertools
import math
import threading
import weakref
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

from rules.errors import EngineError
from rules.evaluation.durable_library import Host, durable_rules_engine
from rules.evaluation.interpreter import Firing, fire_with
from rules.model.conditions import (
    AllOf,
    AnyOf,
    Compare,
    Condition,
    Known,
    Leaf,
    NoneOf,
    Unknown,
    UnlessKnownNot,
    comparisons,
    leaves,
    without_negation,
)
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset

_OPERATORS = {"is_not": "$neq", "at_least": "$gte", "above": "$gt", "at_most": "$lte", "below": "$lt"}
_MOST_ALTERNATIVES = 60
_SMALLEST, _LARGEST = 1e-3, 1e15
_ALWAYS = "always"
_KNOWN = "known__"
_UNKNOWN = "unknown__"


class Evaluator(Protocol):
    """Anything that can say what fires for a patient."""

    def fire(self, facts: Mapping[str, FactValue]) -> Firing:
        """What fires for ``facts`` (checked values, unknown ones absent)."""
        ...


class _QuietHost(Host):  # type: ignore[misc]
    """A host without the background timers, which would race with the caller for pending actions."""

    def _run(self) -> None:
        return


class Engine:
    """One durable_rules host for one worker. Safe to share between threads: evaluations take turns."""

    def __init__(self, ruleset: Ruleset) -> None:
        """Compile ``ruleset``. Raises EngineError where durable_rules refuses it."""
        self.ruleset = ruleset
        self._lock = threading.Lock()
        self._sessions = itertools.count()
        self._matched: list[int] = []
        self._layers = [_parts(f"layer_{layer}", stratum) for layer, stratum in enumerate(ruleset.strata)]
        definitions = {part.name: self._definition(part) for parts in self._layers for part in parts}
        try:
            self._host = _QuietHost(definitions)
        except Exception as error:
            raise EngineError(f"durable_rules refused the ruleset {ruleset.name}: {error}") from error
        handles = [compiled._handle for compiled in self._host._ruleset_directory.values()]
        weakref.finalize(self, _free, handles).atexit = False  # The end of the process frees it anyway.

    def fire(self, facts: Mapping[str, FactValue]) -> Firing:
        """What fires for ``facts`` (checked values, unknown ones absent). Raises EngineError where the engine fails."""
        with self._lock:
            return fire_with(self.ruleset, facts, self._match)

    def _match(self, layer: int, known: Mapping[str, FactValue]) -> list[Rule]:
        self._matched.clear()
        for part in self._layers[layer]:
            self._assert(part, known)
        stratum = self.ruleset.strata[layer]
        return [stratum[index] for index in sorted(set(self._matched))]

    def _assert(self, part: _RulePartition, known: Mapping[str, FactValue]) -> None:
        session = str(next(self._sessions))
        message: dict[str, Any] = {"sid": session, _ALWAYS: 1}
        message.update((fact, _sendable(known[fact])) for fact in part.compared if fact in known)
        message.update((_KNOWN + fact, 1) for fact in part.asked_known if fact in known)
        message.update((_UNKNOWN + fact, 1) for fact in part.asked_unknown if fact not in known)
        try:
            state = self._host.assert_fact(part.name, message)
        except Exception as error:
            raise EngineError(f"durable_rules failed in {part.name}: {error}") from error
        self._host.delete_state(part.name, session)
        if state is not None and "exception" in state:
            raise EngineError(f"a rule's action failed in {part.name}: {state['exception']}")

    def _definition(self, part: _RulePartition) -> dict[str, Any]:
        rules = {
            f"r_{index}": {"all": [{"m": compile_condition(rule.when)}], "run": _action(index, self._matched)}
            for index, rule in part.rules
        }
        return {**rules, "r_matched": {"all": [{"m": {_ALWAYS: 1}}], "run": lambda _: None}}


def _action(index: int, matched: list[int]) -> Callable[[Any], None]:
    """What the library calls when a rule matches. It knows the list and not the engine, which could else not go away."""
    return lambda _: matched.append(index)


def _free(handles: list[int]) -> None:
    for handle in handles:
        durable_rules_engine.delete_ruleset(handle)


@dataclass(frozen=True)
class _RulePartition:
    """Rules of one layer, with their places in it, that durable_rules matches together; and what their message needs."""

    name: str
    rules: tuple[tuple[int, Rule], ...]

    @cached_property
    def compared(self) -> frozenset[str]:
        """Facts whose value is compared."""
        return frozenset(found.fact for _, rule in self.rules for found in comparisons(rule.positive))

    @cached_property
    def asked_known(self) -> frozenset[str]:
        """Facts whose presence is asked for."""
        return self._facts(Known)

    @cached_property
    def asked_unknown(self) -> frozenset[str]:
        """Facts whose absence is asked for."""
        return self._facts(Unknown) | self._facts(UnlessKnownNot)

    def _facts(self, kind: type[Leaf]) -> frozenset[str]:
        found = [leaf for _, rule in self.rules for leaf in leaves(rule.positive)]
        return frozenset(leaf.fact for leaf in found if isinstance(leaf, kind))


def _parts(layer: str, stratum: tuple[Rule, ...]) -> list[_RulePartition]:
    """``stratum`` cut so that no part has more alternatives than durable_rules can hold at once."""
    parts: list[list[tuple[int, Rule]]] = [[]]
    room = _MOST_ALTERNATIVES
    for index, rule in enumerate(stratum):
        needed = _alternatives(rule.positive)
        if needed > _MOST_ALTERNATIVES:
            raise EngineError(
                f"{rule.place}: rule {rule.id} has {needed} alternatives, at most {_MOST_ALTERNATIVES}; split it"
            )
        if needed > room:
            parts.append([])
            room = _MOST_ALTERNATIVES
        parts[-1].append((index, rule))
        room -= needed
    return [_RulePartition(f"{layer}_{number}", tuple(rules)) for number, rules in enumerate(parts)]


def _alternatives(condition: Condition) -> int:
    """In how many ways ``condition`` can be true: the branches of its disjunctive form."""
    match condition:
        case Compare(_, "one_of", tuple(options)):
            return len(options)
        case AllOf(children):
            return math.prod(map(_alternatives, children))
        case AnyOf(children):
            return sum(map(_alternatives, children))
        case UnlessKnownNot(comparison):
            return 1 + _alternatives(comparison)
    return 1


def _sendable(value: FactValue) -> FactValue:
    """``value``, or where it would be written with an exponent, a value on the same side of every threshold."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value == 0:
        return value
    size = abs(value)
    if _SMALLEST <= size <= _LARGEST:
        return value
    return math.copysign(_SMALLEST / 2 if size < _SMALLEST else _LARGEST * 2, value)


def compile_condition(condition: Condition) -> dict[str, Any]:
    """``condition`` in durable_rules' JSON form, with negation pushed down so that a missing fact never matches."""
    return _compile(without_negation(condition))


def _compile(condition: Condition) -> dict[str, Any]:
    match condition:
        case Compare(fact, _, int() | float() as value) if _sendable(value) != value:
            raise EngineError(
                f"{fact} is compared with {value!r}; use a threshold of 0, or of a size from {_SMALLEST} to {_LARGEST:g}"
            )
        case Compare(fact, "is", value):
            return {fact: value}
        case Compare(fact, "one_of", tuple(options)):
            return _joined("$or", [{fact: option} for option in options])
        case Compare(fact, "not_one_of", tuple(options)):
            return _joined("$and", [{"$neq": {fact: option}} for option in options])
        case Compare(fact, comparator, value):
            return {_OPERATORS[comparator]: {fact: value}}
        case Known(fact):
            return {_KNOWN + fact: 1}
        case Unknown(fact):
            return {_UNKNOWN + fact: 1}
        case UnlessKnownNot(comparison):
            return _joined("$or", [{_UNKNOWN + comparison.fact: 1}, _compile(comparison)])
        case AllOf(()):
            return {_ALWAYS: 1}
        case AllOf(children):
            return _joined("$and", [_compile(child) for child in children])
        case AnyOf(children):
            return _joined("$or", [_compile(child) for child in children])
        case NoneOf():
            raise EngineError("a negation reached the compiler; it must have been pushed down before")


def _joined(operator: str, parts: list[dict[str, Any]]) -> dict[str, Any]:
    return parts[0] if len(parts) == 1 else {operator: parts}
