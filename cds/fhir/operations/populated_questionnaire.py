"""The answer of ``Questionnaire/$populate``: a response with what the records say, each answer with its source, the rest open.

Source: Structured Data Capture 3.0.0, Populate Questionnaire,
http://hl7.org/fhir/uv/sdc/STU3/OperationDefinition-Questionnaire-populate.html
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import UCUM, Element, Resource, coding, extension, instant, number, present, text
from cds.fhir.operations.patient_call import PatientCall
from cds.fhir.publishing.structure_definitions import FACT_SOURCE
from cds.fhir.reading.code_map import FACT_VALUES
from cds.fhir.reading.reader import Reading
from cds.fhir.writing.care_plan import refusal_line
from cds.fhir.writing.order_context import referenced_type
from rules.model.decision import NotUsed
from rules.model.facts import FactDefinition, RecordedFact
from rules.model.ruleset import Ruleset


def populated(
    questionnaire: Resource, call: PatientCall, reading: Reading, ruleset: Ruleset, urls: Canonicals
) -> Resource:
    """Parameters with the ``response`` to ``questionnaire``, and ``issues``: what was read and cannot be an answer, and why.

    ``reading`` is what the records of ``call`` say of the facts of ``ruleset``; ``urls`` are those of our codes.
    """
    answers = _Answers(reading, ruleset, urls)
    asked = set(answers.facts_of(questionnaire["item"]))
    response = {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": f"{questionnaire['url']}|{questionnaire['version']}",
        "status": "in-progress",
        "subject": {"reference": call.subject},
        "authored": instant(call.at),
        "item": [answers.item(each) for each in questionnaire["item"]],
    }
    issues = [_issue(refused) for refused in reading.not_used if refused.fact is None or refused.fact in asked]
    outcome = [{"name": "issues", "resource": {"resourceType": "OperationOutcome", "issue": issues}}] if issues else []
    return {"resourceType": "Parameters", "parameter": [{"name": "response", "resource": response}, *outcome]}


@dataclass(frozen=True)
class _Answers:
    """What the records answer."""

    reading: Reading
    ruleset: Ruleset
    urls: Canonicals

    @cached_property
    def known(self) -> Mapping[str, RecordedFact]:
        return {fact.name: fact for fact in self.reading.facts}

    @cached_property
    def by_link(self) -> Mapping[str, FactDefinition]:
        """Questions are linked by the name of a fact; those of the fit check by its code."""
        facts = self.ruleset.vocabulary
        return {fact.code: fact for fact in facts.values() if fact.finding} | {
            each.name: each for each in facts.values()
        }

    def facts_of(self, items: Iterable[Element]) -> Iterator[str]:
        """The names of the facts that ``items`` and those inside them ask for."""
        for each in items:
            if each["linkId"] in self.by_link:
                yield self.by_link[each["linkId"]].name
            yield from self.facts_of(each.get("item", ()))

    def item(self, asked: Element) -> Element:
        """The item of the response to the item ``asked``, with those inside it."""
        return present(
            linkId=asked["linkId"],
            text=asked["text"],
            answer=list(self._answer(asked)),
            item=[self.item(each) for each in asked.get("item", ())],
        )

    def _answer(self, asked: Element) -> Iterator[Element]:
        fact = self.by_link.get(asked["linkId"])
        found = self.known.get(fact.name) if fact is not None else None
        if fact is not None and found is not None:
            source = extension(self.urls.extension(FACT_SOURCE), {"valueReference": _source(found)})
            yield {"extension": [source], **self._value(found, fact, asked["type"])}

    def _value(self, found: RecordedFact, fact: FactDefinition, asked_as: str) -> Element:
        value = found.value
        if isinstance(value, bool):
            return {"valueBoolean": value}
        if isinstance(value, str):
            return {"valueCoding": coding(self.urls.code_system(FACT_VALUES), code(value))}
        if asked_as == "quantity":
            unit = fact.unit or "1"
            return {"valueQuantity": {"value": number(value), "unit": unit, "system": UCUM, "code": unit}}
        return {"valueInteger": int(value)} if asked_as == "integer" else {"valueDecimal": number(value)}


def _source(found: RecordedFact) -> Element:
    """The record, as a reference where a server can look it up, else by name; what it says, and since when."""
    literal = found.reference if found.reference and referenced_type(found.reference) else None
    since = found.recorded and f"recorded {instant(found.recorded)}"
    said = [None if literal else found.reference, found.original, since]
    words = ", ".join(each for each in said if each)
    return present(reference=literal, display=text(words) if words else None)


def _issue(refused: NotUsed) -> Element:
    return {"severity": "warning", "code": "informational", "diagnostics": text(refusal_line(refused))}
