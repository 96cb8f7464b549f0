"""The form of a fit check: what is looked at where, the size worn, and the earlier tries, which the page carries with it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Any

from pydantic import TypeAdapter, ValidationError

from cds import strict_json
from cds.fhir.json_access import shown
from cds.operation_outcome import Issue, RefusedCall
from rules.deciding.fit_check import FitAdvice, FitAttempt, findings_of
from rules.evaluation.hit_policy import read_size_class, size_class
from rules.model.facts import FactDefinition
from rules.model.ruleset import Axis, Ruleset

REGIONS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "patient": ("Patient", ("breathing_or_swallowing_trouble", "new_neurological_sign", "collar_pain")),
    "head": ("Head", ("head_pushed_back", "head_sinks_forward", "head_tilted")),
    "chin": ("Chin and upper edge", ("chin_over_edge", "chin_sunk_inside")),
    "sides": ("Ears and sides", ("ear_pressed", "fastenings_unequal", "halves_overlap_wrongly")),
    "front": ("Front", ("no_finger_gap", "slack_in_collar", "openings_off_midline", "padding_short_of_edge")),
    "lower": ("Lower edge", ("lower_edge_on_clavicles", "lower_edge_short_of_notch")),
}
"""Where the findings are looked for, in the order of looking; the drawing bears their numbers."""

EVERYWHERE = "looked"
"""Field that says: looked everywhere, and nothing else was found. With a region's name behind it: looked there."""

_MOST_TRIES = 100
_HISTORY = TypeAdapter(list[FitAttempt])
_FACTS = TypeAdapter(dict[str, bool | int | float | str])


@dataclass(frozen=True)
class Region:
    """One place to look at, with what may be found there."""

    number: int
    name: str
    title: str
    findings: tuple[FactDefinition, ...]


@dataclass(frozen=True)
class SizeField:
    """One axis of the size worn: its name in words, and what may be chosen. What every choice begins with stands there alone."""

    axis: Axis
    label: str
    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class FitForm:
    """What the page knows of a fitting: the size worn by axis, the item, what was found, the earlier tries, the facts."""

    size: Mapping[str, str]
    item: str | None
    findings: Mapping[str, bool]
    history: tuple[FitAttempt, ...]
    facts: Mapping[str, Any]

    def attempt(self, ruleset: Ruleset) -> FitAttempt:
        """The check as the rules of ``ruleset`` take it. Raises KeyError where an axis of the size is missing."""
        code = size_class(ruleset, self.size).code
        return FitAttempt(size=code, item=self.item, findings=dict(self.findings))

    def following(self, ruleset: Ruleset, advice: FitAdvice) -> FitForm:
        """The form for the next look: this one among the earlier tries, and the size that ``advice`` would try next.

        ``ruleset`` has the axes of the size.
        """
        size = self.size if advice.next_size is None else advice.next_size.values
        item = self.item if advice.next_size is None else advice.next_item
        return replace(self, size=size, item=item, findings={}, history=(*self.history, self.attempt(ruleset)))

    def has_looked_at(self, region: Region) -> bool:
        """Whether each finding of ``region`` is known, found or not."""
        return all(finding.name in self.findings for finding in region.findings)

    @property
    def history_json(self) -> str:
        """The earlier tries, for a field of the form."""
        return json.dumps([one.model_dump(mode="json") for one in self.history])

    @property
    def facts_json(self) -> str:
        """The facts, for a field of the form."""
        return json.dumps(dict(self.facts))


def regions(ruleset: Ruleset) -> list[Region]:
    """Every finding of ``ruleset`` by region; those that a site added stand last."""
    known = dict(findings_of(ruleset))
    found = [
        Region(number, name, title, tuple(known.pop(finding) for finding in names if finding in known))
        for number, (name, (title, names)) in enumerate(REGIONS.items(), 1)
    ]
    return [*found, Region(len(found) + 1, "other", "Elsewhere", tuple(known.values()))] if known else found


def size_fields(ruleset: Ruleset) -> list[SizeField]:
    """The axes of the size worn, in the order of ``ruleset``."""
    return [_size_field(axis) for axis in ruleset.axes.values()]


def _size_field(axis: Axis) -> SizeField:
    columns = zip(*(words.split() for words in axis.words.values()), strict=False) if axis.edges else ()
    shared = " ".join(column[0] for column in takewhile(lambda column: len(set(column)) == 1, columns))
    choices = ((value, axis.words[value].removeprefix(shared).strip()) for value in axis.values)
    return SizeField(axis, shared or axis.title, tuple(choices))


def worn(ruleset: Ruleset, code: str | None) -> dict[str, str]:
    """The values of a size class of ``ruleset`` written as ``code``, by axis; without one, those that need not be said.

    Raises ValueError where ``code`` is not a size class.
    """
    if code is not None:
        return read_size_class(ruleset, code)
    return {name: axis.silent for name, axis in ruleset.axes.items() if axis.silent is not None}


def missing_axes(ruleset: Ruleset, form: FitForm) -> list[str]:
    """The axes of ``ruleset`` on which nobody chose the size worn in ``form``."""
    return [name for name in ruleset.axes if name not in form.size]


def read_fit_form(ruleset: Ruleset, posted: Mapping[str, str]) -> FitForm:
    """The form in what was ``posted``, by the names of its fields, with findings and axes of ``ruleset``.

    Raises RefusedCall where what the page carries with it was changed.
    """
    size = {
        name: chosen
        for name, axis in ruleset.axes.items()
        if (chosen := posted.get(f"size.{name}", axis.silent or "")) in axis.values
    }
    return FitForm(
        size=size,
        item=posted.get("item") or None,
        findings=dict(_findings(ruleset, posted)),
        history=_tries(ruleset, posted.get("history", "[]")),
        facts=_carried(_FACTS, posted.get("facts", "{}")),
    )


def _tries(ruleset: Ruleset, text: str) -> tuple[FitAttempt, ...]:
    """The earlier tries in what the page carries, which may be of an older rule set. Raises RefusedCall."""
    tries = tuple(_carried(_HISTORY, text)[:_MOST_TRIES])
    known = findings_of(ruleset)
    strange = (name for one in tries for name in one.findings if name not in known)
    issues = [
        Issue(shown(name), "is not a finding of a fit check; start it anew at /fit", "invalid") for name in strange
    ]
    for one in tries:
        try:
            read_size_class(ruleset, one.size)
        except ValueError as error:
            issues.append(Issue("size", f"{shown(str(error))}; start the fit check anew at /fit", "invalid"))
    if issues:
        raise RefusedCall(422, issues)
    return tries


def _findings(ruleset: Ruleset, posted: Mapping[str, str]) -> Iterator[tuple[str, bool]]:
    for region in regions(ruleset):
        looked = EVERYWHERE in posted or f"{EVERYWHERE}.{region.name}" in posted
        for finding in region.findings:
            if finding.name in posted:
                yield finding.name, True
            elif looked:
                yield finding.name, False


def _carried(shape: TypeAdapter[Any], text: str) -> Any:
    try:
        return shape.validate_python(strict_json.parse(text.encode()))
    except (strict_json.JsonProblem, ValidationError) as error:
        message = "what the page carries of earlier tries cannot be read; start the fit check anew at /fit"
        raise RefusedCall(400, [Issue(None, message, "structure")]) from error
