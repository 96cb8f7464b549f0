"""A Ruleset on durable_rules: each layer becomes a few rulesets of a host, a patient's facts one asserted fact in each.

Measured traps of durable_rules 2.0.28 that this module is built around (tests/rules/evaluation/test_durable_engine_traps.py
shows each):

- an event is consumed by the first rule that matches, so facts are asserted;
- a rule fires once for each true branch of an "or", so matches are counted once;
- more than 64 alternatives that are true at once are an error, so a layer is cut into parts of which fewer ever are;
- more than 14 groups joined by "and" or "or" within one rule are an error, so such a rule is cut at its outermost "or";
- a host keeps at most 1,024 live sessions, so each evaluation's session is deleted;
- deleting a session whose message matched no rule corrupts memory, so each part holds a rule that always matches;
- ``$nex`` can hang, so it is never emitted and "unknown" travels as a marker, which also makes a danger count that nobody
  looked for; it is asserted with its layer, after every layer that can conclude the fact; a null matches no comparison;
- numbers written with an exponent are not understood, so none is sent;
- an exception in an action is hidden in the state, and a Python object is made for each match, so no action is run: what
  matched is read from the library itself, which hands out one match after the other;
- a message costs some twenty microseconds and each match some more, so a part is sent only where one of its rules can be true
  by what is known, by codes and by yes or no (numbers are the engine's to compare), and rules that need the same facts stand in
  the same part, those together that need what few rules ask for;
- what was compiled is kept for ever (4 MB for the shipped content), so it is freed with the engine;
- the host's timer threads would run actions behind our back, so they are never started.
"""

from __future__ import annotations

import itertools
import json
import math
import threading
import weakref
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Protocol

from rules.errors import EngineError
from rules.evaluation.durable_library import Host, durable_rules_engine
from rules.evaluation.interpreter import Firing, fire_with
from rules.model.compiled_conditions import Test, definitely
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
    needed_facts,
)
from rules.model.facts import FactValue
from rules.model.ruleset import Rule, Ruleset

_OPERATORS = {"is_not": "$neq", "at_least": "$gte", "above": "$gt", "at_most": "$lte", "below": "$lt"}
_MOST_ALTERNATIVES = 60
_MOST_GROUPS = 15
_SMALLEST, _LARGEST = 1e-3, 1e15
_ALWAYS = "always"
_MATCHED = "r_matched"
_KNOWN = "known__"
_UNKNOWN = "unknown__"
_as_json = json.JSONEncoder(ensure_ascii=False).encode
_MOST_KEPT = 4_096


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
        asked = Counter(fact for rule in ruleset.rules.values() for fact in needed_facts(rule.positive))
        self._layers = [_parts(f"layer_{layer}", stratum, asked) for layer, stratum in enumerate(ruleset.strata)]
        every = [part for parts in self._layers for part in parts]
        for part in every:
            part.prepare()
        definitions = {part.name: self._definition(part) for part in every}
        try:
            self._host = _QuietHost(definitions)
        except Exception as error:
            raise EngineError(f"durable_rules refused the ruleset {ruleset.name}: {error}") from error
        self._handles = {name: compiled._handle for name, compiled in self._host._ruleset_directory.items()}
        handles = list(self._handles.values())
        weakref.finalize(self, _free, handles).atexit = False  # The end of the process frees it anyway.

    def fire(self, facts: Mapping[str, FactValue]) -> Firing:
        """What fires for ``facts`` (checked values, unknown ones absent). Raises EngineError where the engine fails."""
        values: dict[str, str] = {}

        def match(layer: int, known: Mapping[str, FactValue]) -> list[Rule]:
            for fact in known.keys() - values.keys():
                values[fact] = f', "{fact}": {_written(known[fact])}'
            matched: set[int] = set()
            for part in self._layers[layer]:
                if part.can_match(known):
                    matched.update(self._matches(part, values))
            stratum = self.ruleset.strata[layer]
            return [stratum[index] for index in sorted(matched)]

        with self._lock:
            return fire_with(self.ruleset, facts, match)

    def _matches(self, part: _RulePartition, values: Mapping[str, str]) -> Iterator[int]:
        """The places in their layer of the rules of ``part`` that are true; one may come more than once."""
        session = str(next(self._sessions))
        handle = self._handles[part.name]
        try:
            _, state = durable_rules_engine.assert_fact(handle, part.message(session, values))
            _, match = durable_rules_engine.start_action_for_state(handle, state)
            while match:
                # A match is written as {"name of the rule": {what it matched}}.
                rule = match[2 : match.index('"', 2)]
                if rule != _MATCHED:
                    yield int(rule.split("_")[1])
                match = durable_rules_engine.complete_and_start_action(handle, state)
        except Exception as error:
            raise EngineError(f"durable_rules failed in {part.name}: {error}") from error
        durable_rules_engine.delete_state(handle, session)

    @staticmethod
    def _definition(part: _RulePartition) -> dict[str, Any]:
        rules = {
            f"r_{index}_{number}": {"all": [{"m": piece}], "run": _never_run}
            for index, rule in part.rules
            for number, piece in enumerate(compiled(rule))
        }
        return {**rules, _MATCHED: {"all": [{"m": {_ALWAYS: 1}}], "run": _never_run}}


def _never_run(_: Any) -> None:
    """The library wants an action for each rule; only its host would run one."""


def _free(handles: list[int]) -> None:
    for handle in handles:
        durable_rules_engine.delete_ruleset(handle)


@dataclass(frozen=True)
class _RulePartition:
    """Rules of one layer, with their places in it, that durable_rules matches together; and what their message needs."""

    name: str
    rules: tuple[tuple[int, Rule], ...]

    @cached_property
    def compared(self) -> tuple[str, ...]:
        """Facts whose value is compared."""
        return tuple(sorted({found.fact for _, rule in self.rules for found in comparisons(rule.positive)}))

    @cached_property
    def asked_known(self) -> frozenset[str]:
        """Facts whose presence is asked for."""
        return self._facts(Known)

    @cached_property
    def asked_unknown(self) -> frozenset[str]:
        """Facts whose absence is asked for."""
        return self._facts(Unknown) | self._facts(UnlessKnownNot)

    @cached_property
    def can_match(self) -> Test:
        """A test for whether some rule of the part can be true, told without comparing numbers."""
        return definitely(AnyOf(tuple({_without_numbers(rule.positive): None for _, rule in self.rules})))

    def prepare(self) -> None:
        """Work out now what is asked of every patient, so that the first does not wait for it."""
        self.can_match({})
        self.message("", {})

    def message(self, session: str, values: Mapping[str, str]) -> str:
        """What the rules of the part ask about the facts of ``values``, which are known, each as it is written in a message."""
        asked_known, asked_unknown = self._asked
        sent = [values[fact] for fact in self.compared if fact in values]
        sent += [words for fact, words in asked_known if fact in values]
        sent += [words for fact, words in asked_unknown if fact not in values]
        return f'{{"sid": "{session}", "{_ALWAYS}": 1{"".join(sent)}}}'

    @cached_property
    def _asked(self) -> tuple[tuple[tuple[str, str], ...], ...]:
        """The facts whose presence or absence is asked for, each with how that is written in a message."""
        return (
            tuple((fact, f', "{_KNOWN}{fact}": 1') for fact in sorted(self.asked_known)),
            tuple((fact, f', "{_UNKNOWN}{fact}": 1') for fact in sorted(self.asked_unknown)),
        )

    def _facts(self, kind: type[Leaf]) -> frozenset[str]:
        found = [leaf for _, rule in self.rules for leaf in leaves(rule.positive)]
        return frozenset(leaf.fact for leaf in found if isinstance(leaf, kind))


def _parts(layer: str, stratum: tuple[Rule, ...], asked: Mapping[str, int]) -> list[_RulePartition]:
    """``stratum`` cut so that no part has more alternatives than durable_rules can hold at once.

    ``asked`` says how many rules need each fact. Where a part needs facts that few ask for, it need seldom be sent.
    """

    def commonest_first(placed: tuple[int, Rule]) -> list[tuple[int, str]]:
        needed = sorted((asked[fact], fact) for fact in needed_facts(placed[1].positive))
        return [(-count, fact) for count, fact in needed]

    parts: list[list[tuple[int, Rule]]] = [[]]
    room = _MOST_ALTERNATIVES
    for index, rule in sorted(enumerate(stratum), key=commonest_first):
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
    """In how many ways at once ``condition`` can be true, at most: the branches of its disjunctive form.

    Those that compare one fact with several codes exclude each other, as do a fact that is unknown and one that is compared.
    """
    match condition:
        case AllOf(children):
            return math.prod(map(_alternatives, children))
        case AnyOf(children):
            return sum(map(_alternatives, children))
    return 1


def _without_numbers(condition: Condition) -> Condition:
    """What must hold for ``condition`` (negation pushed down) to be true, with numbers known instead of compared."""
    match condition:
        case Compare(fact, _, value):
            options = value if isinstance(value, tuple) else (value,)
            is_number = any(isinstance(one, (int, float)) and not isinstance(one, bool) for one in options)
            return Known(fact) if is_number else condition
        case UnlessKnownNot(comparison) if isinstance(_without_numbers(comparison), Known):
            return AllOf(())
        case AllOf(children):
            return AllOf(tuple(map(_without_numbers, children)))
        case AnyOf(children):
            return AnyOf(tuple(map(_without_numbers, children)))
    return condition


def _pieces(condition: Condition) -> list[Condition]:
    """Conditions of which one holds where ``condition`` does, each with as few groups as durable_rules takes, if it can be cut."""
    if _groups(condition) <= _MOST_GROUPS or not isinstance(condition, AnyOf):
        return [condition]
    pieces: list[list[Condition]] = [[]]
    for child in (piece for one in condition.children for piece in _pieces(one)):
        if 1 + sum(map(_groups, pieces[-1])) + _groups(child) > _MOST_GROUPS:
            pieces.append([])
        pieces[-1].append(child)
    return [AnyOf(tuple(piece)) for piece in pieces if piece]


def _groups(condition: Condition) -> int:
    """How many times ``condition`` joins several comparisons by "and" or "or", one within the other counted each."""
    match condition:
        case Compare(_, "one_of" | "not_one_of", tuple(options)):
            return int(len(options) > 1)
        case AllOf(children) | AnyOf(children):
            return int(len(children) > 1) + sum(map(_groups, children))
        case UnlessKnownNot(comparison):
            return 1 + _groups(comparison)
    return 0


def _sendable(value: FactValue) -> FactValue:
    """``value``, or where it would be written with an exponent, a value on the same side of every threshold."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or value == 0:
        return value
    size = abs(value)
    if _SMALLEST <= size <= _LARGEST:
        return value
    return math.copysign(_SMALLEST / 2 if size < _SMALLEST else _LARGEST * 2, value)


def _written(value: FactValue) -> str:
    """``value`` as it is sent."""
    return _as_json(_sendable(value)) if isinstance(value, float) else _word(value)


@lru_cache(_MOST_KEPT, typed=True)
def _word(value: FactValue) -> str:
    """The same of a code, yes or no, of which there are few."""
    return _as_json(_sendable(value))


def compiled(rule: Rule) -> list[dict[str, Any]]:
    """Conditions in durable_rules' JSON form of which one holds where ``rule`` fires. Raises EngineError where it takes none."""
    pieces = _pieces(rule.positive)
    if any(_groups(piece) > _MOST_GROUPS for piece in pieces):
        raise EngineError(f"{rule.place}: rule {rule.id} joins more than {_MOST_GROUPS} groups of conditions; split it")
    return [_compile(piece) for piece in pieces]


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
