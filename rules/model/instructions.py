"""Plain-language instructions for patients: what rules may hand out, in every language that a leaflet is written in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class InstructionText:
    """One instruction in one language: a heading, and sentences for the patient (parameters already worked in)."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class LeafletText:
    """Everything that may be said in one language.

    ``language`` is a BCP 47 code. ``notice`` says who wrote or reviewed the words; ``texts`` are the instructions by id;
    ``parameters`` are those whose values stand in the words.
    """

    language: str
    title: str
    notice: str
    texts: Mapping[str, InstructionText]
    parameters: tuple[str, ...] = ()
