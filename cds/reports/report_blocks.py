"""What a report is made of: blocks that know what they say, and nothing of how they are shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from rules.errors import Place
from rules.model.ruleset import Ruleset

State = Literal["good", "bad", "doubt", "quiet"]
"""How a thing stands: in order, not in order, undecided or half, or of no account. Pictures show it by colour and by shape."""


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    text: str


@dataclass(frozen=True)
class Table:
    """Rows under named columns; ``empty`` is said where there are none."""

    title: str
    columns: tuple[str, ...]
    rows: Sequence[Sequence[str]]
    empty: str = "none"


@dataclass(frozen=True)
class Bar:
    """One bar: how much of how many."""

    label: str
    part: int
    whole: int


@dataclass(frozen=True)
class Bars:
    """Parts of wholes side by side. ``good`` says whether a full bar is what is wanted."""

    title: str
    bars: Sequence[Bar]
    part: str
    good: bool = True


@dataclass(frozen=True)
class Stacks:
    """Shares of wholes, one bar a row: how many of each of ``parts`` (best first). A table says the same beside it."""

    title: str
    parts: tuple[str, ...]
    rows: Sequence[tuple[str, tuple[int, ...]]]


@dataclass(frozen=True)
class GridCell:
    """One square of a grid: what it stands for, and how it stands."""

    label: str
    state: State


@dataclass(frozen=True)
class Grid:
    """Many things at a glance, in groups; ``legend`` says what each state means here."""

    title: str
    groups: Mapping[str, Sequence[GridCell]]
    legend: Mapping[State, str]


@dataclass(frozen=True)
class Node:
    """One line of a tree, how it stands, and the lines below it."""

    text: str
    state: State | None = None
    below: tuple[Node, ...] = ()


@dataclass(frozen=True)
class Tree:
    """Lines that rest on lines below them. ``opened`` says how many levels a page shows at first."""

    title: str
    nodes: Sequence[Node]
    opened: int = 1


@dataclass(frozen=True)
class Listing:
    """Text to copy as it stands."""

    title: str
    text: str


@dataclass(frozen=True)
class Stretch:
    """A part of a number line, both ends in the unit of the line, and what holds there."""

    low: float
    high: float
    label: str


@dataclass(frozen=True)
class NumberLine:
    """What holds where along one number, and where the patient stands (None where the number is not known)."""

    title: str
    unit: str
    stretches: Sequence[Stretch]
    here: float | None


@dataclass(frozen=True)
class Pictures:
    """Pictures drawn elsewhere, as SVG, side by side where there is room; what they show is said by tables as well."""

    title: str
    pictures: Sequence[str]


Block = Words | Table | Bars | Stacks | Grid | Tree | Listing | NumberLine | Pictures


@dataclass(frozen=True)
class Report:
    """A whole report. ``findings`` counts what is not in order; ``data`` is the report as plain JSON values."""

    title: str
    about: str
    summary: str
    findings: int
    blocks: Sequence[Block]
    data: Mapping[str, Any] = field(default_factory=dict)


def about(ruleset: Ruleset) -> str:
    """Name, version, content hash and size of ``ruleset``."""
    local = f", {len(ruleset.local_changes)} local changes" if ruleset.local_changes else ""
    return (
        f"{ruleset.name} {ruleset.version}, {len(ruleset.rules)} rules, {len(ruleset.vocabulary)} facts, "
        f"content {ruleset.hash[:12]}{local}"
    )


def count(number: int, thing: str, things: str | None = None) -> str:
    """``number`` and what is counted: one ``thing``, or ``things`` (where not given, with an s): ``1 rule``, ``2 rules``."""
    return f"{number} {thing if number == 1 else things or thing + 's'}"


def where(place: Place) -> str:
    """File and line of ``place``."""
    return place.file if place.line is None else f"{place.file}:{place.line}"
