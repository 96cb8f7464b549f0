"""Observations and their components."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from cds.fhir.json_access import items, shown
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.clinical_record import (
    ClinicalRecordReader,
    When,
    code_problem,
    holder_problem,
    status_problem,
)
from cds.fhir.reading.code_map import ScorePart, codings_of
from cds.fhir.reading.neck_concepts import finds_a_danger
from cds.fhir.reading.reconciliation import Accepted, Rejected, may_still_hold
from cds.fhir.reading.rejection import RejectionReason
from cds.fhir.reading.value_parser import Value, number_of_score

_FINAL = ("final", "amended", "corrected")
_TIMES = ("effectiveDateTime", "effectiveInstant", "effectivePeriod", "effectiveTiming", "issued")


_NO_TIME = RejectionReason("no time", "no time is recorded for the parts of the score")


class _Parts:
    """Parts of a score that were recorded together: the first record, its time, and the points by the number of the part."""

    def __init__(self, record: Record, when: When) -> None:
        self.record = record
        self.when = when
        self.points: dict[int, set[int]] = defaultdict(set)


@dataclass(frozen=True)
class ObservationReader(ClinicalRecordReader):
    """Reads Observations."""

    def observation(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from the value of the Observation ``record`` and from those of its components."""
        observation = record.resource
        when = self.when(observation, *_TIMES)
        problem = status_problem(observation, _FINAL)
        components = items(observation, "component")
        if not components or any(key.startswith("value") for key in observation):
            yield from self.part(observation, record, when, problem)
        for component in components:
            yield from self.part(component, record, when, problem)

    def is_to_be_read(self, record: Record) -> bool:
        """Whether a person has to read ``record``, mapped to no fact: it may be of late, and found something about the neck."""
        when = self.when(record.resource, *_TIMES)
        problem = status_problem(record.resource, _FINAL)
        limit = timedelta(hours=self.code_map.unread_observations.within_hours)
        fresh = when.moment is None or self.at - (when.latest or when.moment) <= limit
        may_be_so = problem is None or may_still_hold(problem)
        return may_be_so and fresh and finds_a_danger(record.resource, self.code_map)

    def part(
        self, part: object, record: Record, when: When, problem: RejectionReason | None
    ) -> Iterator[Accepted | Rejected]:
        """Facts from ``part``: the Observation ``record`` or one of its components, whose status already has ``problem``.

        ``when`` is the time of the Observation.
        """
        meanings, trouble = self.meanings(part, record)
        if trouble is not None:
            yield trouble
        elif (
            not meanings
            and (unreadable := code_problem(part.get("code") if isinstance(part, dict) else None)) is not None
        ):
            yield Rejected(None, shown(part), unreadable, record.label, when.moment)
        elif meanings and isinstance(part, dict):
            yield self.stated(part, meanings, record, when, problem)
        elif part is record.resource and (found := self.code_map.finding(record.resource)) is not None:
            yield from self.implied(record, [found], when, problem or holder_problem(record.resource))

    def summed(self, records: Iterable[Record]) -> Iterator[Accepted | Rejected]:
        """Scores of which ``records`` hold the parts, of one moment each: the sum where all are there, else what is missing.

        Parts that may hold and cannot be used, as those that are not signed or have no time, are refused together, where no others
        stand at their moment.
        """
        sets: dict[tuple[str, datetime | None], dict[RejectionReason | None, _Parts]] = defaultdict(dict)
        for record in records:
            holders = (record.resource, *items(record.resource, "component"))
            scored = [(part, holder) for holder in holders if (part := self._part(holder)) is not None]
            if not scored or record.modifier is not None:
                continue
            when = self.when(record.resource, *_TIMES)
            problem = status_problem(record.resource, _FINAL)
            if problem is not None and not may_still_hold(problem):
                continue
            problem = problem or when.problem
            if problem is None and when.moment is None:
                problem = _NO_TIME
            for part, holder in scored:
                points = self._points(holder, part)
                if points is not None:
                    refused = problem or holder_problem(holder)
                    together = sets[part.fact, when.moment].setdefault(refused, _Parts(record, when))
                    together.points[part.number].add(points)
        for (fact, _), by_problem in sets.items():
            if None in by_problem:
                yield self._sum(fact, by_problem[None], None)
                continue
            for problem, parts in by_problem.items():
                yield self._sum(fact, parts, problem)

    def _sum(self, fact: str, parts: _Parts, problem: RejectionReason | None) -> Accepted | Rejected:
        """The score that ``parts`` add up to, refused for their ``problem`` or for one of their own."""
        definition = self.code_map.vocabulary[fact]
        record, when, points = parts.record, parts.when, parts.points
        written = " + ".join(" or ".join(map(str, sorted(points[number]))) for number in sorted(points))
        total: int | None = sum(next(iter(each)) for each in points.values())
        why = problem
        if any(len(each) > 1 for each in points.values()):
            total = None
            why = why or RejectionReason(
                "contradiction", "a part of the score has two values at one moment; none is used"
            )
        elif len(points) < (wanted := self._wanted[fact]):
            total = self._highest(fact) if self._all_best(fact, points) else None
            why = why or RejectionReason("incomplete", f"{len(points)} of {wanted} parts of the score, and no total")
        elif total is not None and (wrong := definition.problem(total)) is not None:
            total = None
            why = why or RejectionReason("implausible", f"{wrong}; accepted: {definition.accepted}")
        if total is None or why is not None:
            assert why is not None
            return Rejected(fact, written, why, record.label, when.moment, total)
        return self.accepted(Value(fact, total, written), record, when)

    def _all_best(self, fact: str, points: dict[int, set[int]]) -> bool:
        """Whether each part in ``points`` has the most that its answers give, so that nothing speaks against the best score."""
        best = self._best[fact]
        return all(number in best and min(each) >= best[number] for number, each in points.items())

    def _highest(self, fact: str) -> int | None:
        accepted = self.code_map.vocabulary[fact].range
        return None if accepted is None else int(accepted[1])

    @cached_property
    def _wanted(self) -> dict[str, int]:
        """How many parts each score has."""
        return {part.fact: part.of_parts for part in self.code_map.parts.values()}

    @cached_property
    def _best(self) -> dict[str, dict[int, int]]:
        """The most that each part of each score gives, by its number, where its answers are listed."""
        found: dict[str, dict[int, int]] = defaultdict(dict)
        for part in self.code_map.parts.values():
            if part.answers:
                found[part.fact][part.number] = max(part.answers.values())
        return found

    def _part(self, holder: object) -> ScorePart | None:
        codings = codings_of(holder.get("code")) if isinstance(holder, dict) else ()
        found = [self.code_map.parts[coding] for coding in codings if coding in self.code_map.parts]
        return found[0] if len({(part.fact, part.number) for part in found}) == 1 else None

    def _points(self, holder: dict[str, Any], part: ScorePart) -> int | None:
        """The points of a part: a whole number that counts, or those of an answer; None where it is neither."""
        coded = {
            part.answers[coding.code]
            for coding in codings_of(holder.get("valueCodeableConcept"))
            if coding.system in self._answer_systems and coding.code in part.answers
        }
        if len(coded) == 1:
            return next(iter(coded))
        definition = self.code_map.vocabulary[part.fact]
        number = number_of_score(holder, definition, self.code_map)
        if isinstance(number, bool) or not isinstance(number, (int, float)):
            return None
        return int(number) if number in range(1, 16) else None

    @cached_property
    def _answer_systems(self) -> frozenset[str]:
        return frozenset(coding.system for coding in self.code_map.parts)
