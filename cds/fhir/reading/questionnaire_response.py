"""Answers to questionnaires."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

from cds.fhir.json_access import items, shown, text
from cds.fhir.reading.bundle_index import Record
from cds.fhir.reading.clinical_record import ClinicalRecordReader, When, status_problem
from cds.fhir.reading.code_map import CodingKey
from cds.fhir.reading.neck_concepts import TOO_LONG, complaint
from cds.fhir.reading.reconciliation import Accepted, Rejected, may_still_hold
from cds.fhir.reading.rejection import RejectionReason

_ANSWERED = ("completed", "amended")
_MOST_ITEMS = 10_000
_NOT_MAPPED = (
    "a yes to a question about neck, spine, airway or another danger whose linkId names no fact: read it yourself"
)
_MODIFIED = RejectionReason(
    "modifier", "it, or an item around it, carries modifierExtension, which may change its meaning"
)


@dataclass(frozen=True)
class QuestionnaireResponseReader(ClinicalRecordReader):
    """Reads QuestionnaireResponses."""

    def questionnaire_response(self, record: Record) -> Iterator[Accepted | Rejected]:
        """Facts from the answers in ``record`` to items whose linkId is a fact's code or name.

        What may change the meaning of an item, or of an answer, may change that of all that stands under it.
        """
        response = record.resource
        when, problem = self.when(response, "authored"), status_problem(response, _ANSWERED)
        yield from _not_lists(response, ("item",), record)
        waiting = [(item, problem) for item in items(response, "item")[::-1]]
        for _ in range(_MOST_ITEMS):
            if not waiting:
                return
            item, doubt = waiting.pop()
            doubt = doubt or _modified(item)
            yield from _not_lists(item, ("item", "answer"), record)
            waiting.extend((inner, doubt) for inner in items(item, "item")[::-1])
            for answer in items(item, "answer"):
                if isinstance(answer, dict) and "item" in answer:
                    yield from _not_lists(answer, ("item",), record)
                    below = doubt or _modified(answer)
                    waiting.extend((inner, below) for inner in items(answer, "item")[::-1])
            yield from self._answer(item, record, when, doubt)
        if waiting:
            why = RejectionReason("incomplete", f"only the first {_MOST_ITEMS} items were read")
            yield Rejected(None, "items", why, record.label)

    def _unread(self, item: object, record: Record, when: When) -> Iterator[Rejected]:
        """A yes to a question about the neck or another danger, of late, whose linkId names no fact: a person reads it."""
        limit = timedelta(hours=self.code_map.unread_observations.within_hours)
        of_late = when.moment is None or self.at - (when.latest or when.moment) <= limit
        yes = any(isinstance(answer, dict) and answer.get("valueBoolean") is True for answer in items(item, "answer"))
        found = complaint({"text": text(item, "text")}, self.code_map) if yes and of_late else None
        if found is not None and not found.slight:
            why = RejectionReason("unread", TOO_LONG if found.cut else _NOT_MAPPED, may_be=found.may_be)
            yield Rejected(None, shown(f"{found.words} yes"), why, record.label)

    def _answer(
        self, item: object, record: Record, when: When, problem: RejectionReason | None
    ) -> Iterator[Accepted | Rejected]:
        link = text(item, "linkId") or ""
        definition = self.code_map.vocabulary.get(link)
        code = link if definition is None else definition.code
        meanings = self.code_map.meanings([CodingKey(self.code_map.own_facts, code)])
        if definition is not None:
            meanings = tuple(meaning for meaning in meanings if meaning.fact == link)
        answers = items(item, "answer")
        retired = self.code_map.vocabulary.retired.get(link.replace("-", "_"))
        if retired is not None and answers:
            yield Rejected(retired.name, shown(link), RejectionReason("retired", retired.reason), record.label)
        if not meanings and retired is None and (problem is None or may_still_hold(problem)):
            yield from self._unread(item, record, when)
        if not meanings or not answers:
            return
        if len(answers) > 1:
            why = RejectionReason("malformed", "expected one answer")
            yield Rejected(meanings[0].fact, f"{len(answers)} answers", why, record.label, when.moment)
        elif isinstance(answers[0], dict):
            yield self.stated(answers[0], meanings, record, when, problem)
        else:
            why = RejectionReason("malformed", "malformed: an answer is not an object")
            yield Rejected(meanings[0].fact, shown(answers[0]), why, record.label)


def _modified(holder: object) -> RejectionReason | None:
    """Why what stands in and under ``holder``, an item or an answer, cannot be believed; None where it can."""
    modified = isinstance(holder, dict) and holder.get("modifierExtension")
    return _MODIFIED if modified else None


def _not_lists(holder: object, keys: tuple[str, ...], record: Record) -> Iterator[Rejected]:
    """What of ``keys`` is no list in ``holder``, and cannot be read; and a ``holder`` that is no object."""
    if not isinstance(holder, dict):
        yield Rejected(
            None, shown(holder), RejectionReason("malformed", "malformed: an item is not an object"), record.label
        )
        return
    for key in keys:
        if holder.get(key) is not None and not isinstance(holder[key], list):
            why = RejectionReason("malformed", f"malformed: {key} is not a list")
            yield Rejected(None, shown(holder[key]), why, record.label)
