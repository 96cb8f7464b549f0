"""A decision model: decision tables, and expressions over what they give."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from cds.fhir.publishing.dmn.cells import Row

HitPolicy = Literal["FIRST", "COLLECT"]


@dataclass(frozen=True)
class TableRow:
    """One row: its cells by fact, its outputs (FEEL) by name, and the rule that it comes from."""

    cells: Row
    outputs: Mapping[str, str]
    rule: str


@dataclass(frozen=True)
class DecisionTable:
    """A decision that is a table. FIRST: the first row that matches; COLLECT: all, or the least or greatest of them.

    ``outputs`` are the names of the columns that a row gives; a single one gives its value, several a context.
    """

    name: str
    label: str
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    rows: tuple[TableRow, ...]
    policy: HitPolicy
    aggregation: Literal["MIN", "MAX"] | None = None


@dataclass(frozen=True)
class Formula:
    """A decision that is an expression in FEEL over the facts or decisions that it ``needs``."""

    name: str
    label: str
    needs: tuple[str, ...]
    expression: str


Decision = DecisionTable | Formula


@dataclass(frozen=True)
class DecisionModel:
    """What one file holds: decisions in an order in which each needs only earlier ones and input data."""

    name: str
    title: str
    inputs: tuple[str, ...]
    decisions: tuple[Decision, ...]
