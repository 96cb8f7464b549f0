"""One bucket of an export to a table of facts: each patient read by ``cds.fhir.reading.reader`` at a moment, refusals counted."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import polars as pl
from pydantic_core import from_json

from cds.fhir.json_access import items, mapping, text
from cds.fhir.reading.code_map import CodeMap
from cds.fhir.reading.dates import DateError, moment
from cds.fhir.reading.reader import read
from rules.batch.fact_frame import column_type
from rules.model.ruleset import Ruleset

KEPT = ("patient", "unit", "at")
"""Columns of a table of facts that are not facts: whose row it is, the unit of the hospital, the moment of decision."""

NO_UNIT = "not recorded"
LAST_MOMENT_TIMES = (
    "effectiveDateTime",
    "effectiveInstant",
    "issued",
    "recordedDate",
    "performedDateTime",
    "authoredOn",
    "authored",
    "recordedOn",
)
LAST_MOMENT_PERIODS = ("effectivePeriod", "performedPeriod", "period", "timingPeriod")
"""The elements whose times tell when something was last recorded of a patient; of a period both ends."""

_NUMBER = re.compile(r"-?\d[\d.,:+TZ-]*")
_DURATION = re.compile(r"(?:over )?\d[\d.]* (?:minute|hour|day|week|month|year)s?(?= old\b|;|$)")
_MENTIONED = re.compile(r"(the older value|contradicts) .*? \([^()]*\)(?= (?:is used instead|of the same moment))")
_UNLISTED = re.compile(r"; \d+ older values? not listed")
_NAMED = re.compile(r"\b[A-Z][A-Za-z]+/[A-Za-z0-9.-]+")


@dataclass
class Cohort:
    """What was read of many patients: record by record into ``rows``, by columns into ``tables`` of the same columns.

    ``refused`` counts by fact and reason (numbers and names of records taken out).
    """

    rows: list[dict[str, object]] = field(default_factory=list)
    tables: list[pl.DataFrame] = field(default_factory=list)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    undated: int = 0

    def add(self, other: Cohort) -> None:
        """Take the patients of ``other`` in."""
        self.rows += other.rows
        self.tables += other.tables
        self.refused.update(other.refused)
        self.undated += other.undated

    def table(self, ruleset: Ruleset) -> pl.DataFrame:
        """One row a patient: ``patient``, ``unit``, ``at``, and a column for every fact of ``ruleset`` that an observer may give.

        A fact is in its own unit, null where it is unknown.
        """
        schema = {"patient": pl.String(), "unit": pl.String(), "at": pl.Datetime("us", "UTC"), **fact_types(ruleset)}
        columns = {name: [row.get(name) for row in self.rows] for name in schema}
        rows = pl.DataFrame([pl.Series(name, columns[name], dtype=kind, strict=False) for name, kind in schema.items()])
        return pl.concat([*self.tables, rows]).sort("patient", maintain_order=True)

    def ways(self) -> Counter[str]:
        """How many patients were read by columns, and how many record by record."""
        columns = sum(table.height for table in self.tables)
        return Counter({"columns": columns, "records": len(self.rows) + self.undated})


def fact_types(ruleset: Ruleset) -> dict[str, pl.DataType]:
    """The column types of all facts of ``ruleset`` that an observer may give, in the order of the vocabulary."""
    return {name: column_type(fact) for name, fact in ruleset.vocabulary.items() if fact.given != "concluded"}


@dataclass(frozen=True)
class CohortReader:
    """Reads patients out of keyed lines; ``shared`` are resources that belong to no single patient, by reference.

    ``at`` is the moment of decision for everybody; without it each patient is decided at the last moment that anything
    read of that patient was recorded.
    """

    ruleset: Ruleset
    code_map: CodeMap
    shared: Mapping[str, dict[str, Any]]
    at: datetime | None = None

    def read(self, lines: Iterable[tuple[str, str]]) -> Cohort:
        """All patients of ``lines`` (key and JSON text), which stand together patient by patient."""
        cohort = Cohort()
        for key, resources in _grouped(lines, cohort):
            self._read_one(key, resources, cohort)
        return cohort

    def _read_one(self, key: str, resources: list[dict[str, Any]], cohort: Cohort) -> None:
        at = self.at or _last_moment(resources)
        if at is None:
            cohort.undated += 1
            return
        reading = read([*resources, *self._shared_of(resources)], self.ruleset, self.code_map, at, key)
        for not_used in reading.not_used:
            cohort.refused[not_used.fact or "no fact recognised", general_reason(not_used.reason)] += 1
        row: dict[str, object] = {"patient": key, "unit": self.unit(resources), "at": at}
        row.update((fact.name, fact.value) for fact in reading.facts)
        cohort.rows.append(row)

    def _shared_of(self, resources: Sequence[dict[str, Any]]) -> Iterator[dict[str, Any]]:
        if not self.shared:
            return
        for resource in resources:
            references = [text(mapping(stay, "location"), "reference") for stay in items(resource, "location")]
            references.append(text(mapping(resource, "device"), "reference"))
            for reference in references:
                if (
                    reference is not None
                    and (found := self.shared.get("/".join(reference.split("/")[-2:]))) is not None
                ):
                    yield found

    def unit(self, resources: Sequence[dict[str, Any]]) -> str:
        """Where the patient whose ``resources`` these are was last, in the record's own words.

        It is the place (or provider) of the encounter that started last.
        """
        encounters = [resource for resource in resources if resource.get("resourceType") == "Encounter"]
        if not encounters:
            return NO_UNIT
        last = max(encounters, key=lambda one: str(mapping(one, "period").get("start") or ""))
        stays = items(last, "location")
        place = mapping(stays[-1], "location") if stays else {}
        named = self.shared.get("/".join(str(place.get("reference", "")).split("/")[-2:]), {})
        provider = mapping(last, "serviceProvider")
        return (
            text(place, "display")
            or text(named, "name")
            or text(provider, "display")
            or text(provider, "reference")
            or _class_of(last)
            or NO_UNIT
        )


def _class_of(encounter: Mapping[str, Any]) -> str | None:
    """The kind of encounter in words that say that it is not a unit of the hospital."""
    code = text(mapping(encounter, "class"), "code")
    return f"not recorded (encounter class {code})" if code else None


def general_reason(reason: str) -> str:
    """``reason`` without what belongs to single records, so that equal reasons can be counted and no summary quotes them.

    Numbers, durations, names of records, other values that are mentioned, and how many more there were are left out.
    """
    listed = _DURATION.sub("…", _UNLISTED.sub("", reason))
    mentioned = _MENTIONED.sub(r"\1 … (another record)", listed)
    return _NUMBER.sub("…", _NAMED.sub("another record", mentioned))[:160]


def _grouped(lines: Iterable[tuple[str, str]], cohort: Cohort) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    held: dict[str, list[dict[str, Any]]] = defaultdict(list)
    current: str | None = None
    for key, line in lines:
        if key != current and current is not None:
            yield current, held.pop(current, [])
        current = key
        try:
            resource = from_json(line)
        except ValueError:
            cohort.refused["no fact recognised", "the line is not JSON"] += 1
            continue
        if isinstance(resource, dict):
            held[key].append(resource)
        else:
            cohort.refused["no fact recognised", "the line is not a JSON object"] += 1
    if current is not None:
        yield current, held.pop(current, [])


def _last_moment(resources: Sequence[dict[str, Any]]) -> datetime | None:
    found = []
    for resource in resources:
        written = [resource.get(key) for key in LAST_MOMENT_TIMES]
        for key in LAST_MOMENT_PERIODS:
            written += [mapping(resource, key).get("start"), mapping(resource, key).get("end")]
        for value in written:
            if value is None:
                continue
            try:
                found.append(moment(value, UTC))
            except DateError:
                continue  # a malformed time is listed by the reading itself
    return max(found, default=None)
