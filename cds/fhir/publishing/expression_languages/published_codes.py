"""Conditions and values in the spelling of the published code systems: ``fixed_flexion`` is published as ``fixed-flexion``."""

from __future__ import annotations

from dataclasses import replace

from cds.fhir.canonical_urls import code
from rules.model.conditions import AllOf, AnyOf, Compare, Condition, NoneOf, UnlessKnownNot
from rules.model.facts import FactValue


def published_value(value: FactValue) -> FactValue:
    """``value`` as it is published: the code of a coded value, anything else as it is."""
    return code(value) if isinstance(value, str) else value


def published_condition(condition: Condition) -> Condition:
    """``condition`` with each coded value that it compares with as its published code."""
    match condition:
        case Compare():
            return _published(condition)
        case UnlessKnownNot(comparison):
            return UnlessKnownNot(_published(comparison))
        case AllOf(children) | AnyOf(children) | NoneOf(children):
            return type(condition)(tuple(map(published_condition, children)))
    return condition


def _published(comparison: Compare) -> Compare:
    value = comparison.value
    return replace(
        comparison, value=tuple(map(published_value, value)) if isinstance(value, tuple) else published_value(value)
    )
