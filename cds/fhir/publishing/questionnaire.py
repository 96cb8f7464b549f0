"""The fit check as a Questionnaire, one check as a QuestionnaireResponse, and such a response read back as a check.

Each question's ``linkId`` and code are the finding's code in our code system; the size worn is asked axis by axis.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, Resource, coding, present, text
from cds.fhir.publishing.metadata import heading
from cds.fhir.reading.code_map import FACTS
from cds.fhir.writing.device_request import SIZE_AXIS_VALUES, axis_value_code
from rules.deciding.fit_check import FitAttempt, findings_of
from rules.errors import FactError, InvalidFact
from rules.evaluation.hit_policy import read_size_class, size_class
from rules.model.ruleset import Axis, Ruleset

NAME = "fit-check"
SIZE = "size"
FINDINGS = "findings"
ITEM = "item-worn"
LAUNCHED_WITH_PATIENT = {
    "url": "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-launchContext",
    "extension": [
        {
            "url": "name",
            "valueCoding": {"system": "http://hl7.org/fhir/uv/sdc/CodeSystem/launchContext", "code": "patient"},
        },
        {"url": "type", "valueCode": "Patient"},
    ],
}
"""Extension of a Questionnaire that can be populated (Structured Data Capture 3.0.0): it is opened for a patient."""
_READ_STATUSES = ("completed", "amended")
_DEEPEST = 10


def questionnaire(ruleset: Ruleset, urls: Canonicals) -> Resource:
    """The questions of a fit check: the size worn, the site's item, and each finding of ``ruleset`` with yes or no.

    ``urls`` are those of the artefact and its codes.
    """
    described = (
        "What is looked at after a collar was fitted or seated again. Yes to a question is a finding; what was not looked "
        "at is left without an answer."
    )
    return present(
        **heading("Questionnaire", NAME, "Fit check of a rigid neck collar", described, ruleset, urls),
        extension=[LAUNCHED_WITH_PATIENT],
        subjectType=["Patient"],
        item=[
            {
                "linkId": SIZE,
                "text": "Size class worn",
                "type": "group",
                "item": [_axis(axis, urls) for axis in ruleset.axes.values()],
            },
            {"linkId": ITEM, "text": "Item worn, as the site names it", "type": "string"},
            {"linkId": FINDINGS, "text": "Findings", "type": "group", "item": list(_questions(ruleset, urls))},
        ],
    )


def _axis(axis: Axis, urls: Canonicals) -> Element:
    system = urls.code_system(SIZE_AXIS_VALUES)
    return present(
        linkId=_axis_link(axis.name),
        text=text(axis.title),
        type="choice",
        required=axis.silent is None,
        answerOption=[
            {"valueCoding": coding(system, axis_value_code(axis.name, value), text(axis.words[value]))}
            for value in axis.values
        ],
    )


def _axis_link(name: str) -> str:
    return f"{SIZE}.{code(name)}"


def _questions(ruleset: Ruleset, urls: Canonicals) -> Iterator[Element]:
    system = urls.code_system(FACTS)
    for fact in findings_of(ruleset).values():
        yield {
            "linkId": fact.code,
            "code": [coding(system, fact.code, text(fact.label))],
            "text": text(fact.ask or fact.meaning),
            "type": "boolean",
        }


# --- writing ---------------------------------------------------------------------------------------------------------


def response(attempt: FitAttempt, ruleset: Ruleset, urls: Canonicals, at: datetime) -> Resource:
    """``attempt`` as a QuestionnaireResponse, completed at the moment ``at``; it names no patient, its receiver does.

    ``ruleset`` has the axes and findings, ``urls`` their codes. Raises ValueError where the size is not written as a
    size class.
    """
    facts = findings_of(ruleset)
    worn = read_size_class(ruleset, attempt.size)
    system = urls.code_system(SIZE_AXIS_VALUES)
    sizes = [
        {
            "linkId": _axis_link(axis.name),
            "answer": [
                {
                    "valueCoding": coding(
                        system, axis_value_code(axis.name, worn[axis.name]), text(axis.words[worn[axis.name]])
                    )
                }
            ],
        }
        for axis in ruleset.axes.values()
    ]
    found = [
        {"linkId": facts[name].code, "answer": [{"valueBoolean": present}]}
        for name, present in attempt.findings.items()
    ]
    items: list[Element] = [{"linkId": SIZE, "item": sizes}]
    if attempt.item is not None:
        items.append({"linkId": ITEM, "answer": [{"valueString": attempt.item}]})
    if found:
        items.append({"linkId": FINDINGS, "item": found})
    return {
        "resourceType": "QuestionnaireResponse",
        "questionnaire": f"{urls.artefact('Questionnaire', NAME)}|{ruleset.version}",
        "status": "completed",
        "authored": at.isoformat(),
        "item": items,
    }


# --- reading ---------------------------------------------------------------------------------------------------------


def read_response(resource: Mapping[str, Any], ruleset: Ruleset, urls: Canonicals) -> FitAttempt:
    """The check that the QuestionnaireResponse ``resource`` holds, by axes and findings of ``ruleset`` and codes under ``urls``.

    Raises FactError with every answer that cannot be used.
    """
    reading = _ResponseReading(ruleset)
    reading.head(resource, urls.artefact("Questionnaire", NAME))
    reading.items(resource.get("item", []), "QuestionnaireResponse.item", 1)
    attempt = reading.attempt()
    if reading.problems or attempt is None:
        raise FactError(reading.problems)
    return attempt


@dataclass
class _ResponseReading:
    """One response being read: what was answered, and what cannot be used."""

    ruleset: Ruleset
    values: dict[str, str] = field(default_factory=dict)
    findings: dict[str, bool] = field(default_factory=dict)
    item: str | None = None
    problems: list[InvalidFact] = field(default_factory=list)

    def wrong(self, where: str, value: object, message: str, accepted: str) -> None:
        self.problems.append(InvalidFact(where, value, message, accepted))

    def head(self, resource: Mapping[str, Any], url: str) -> None:
        if resource.get("resourceType") != "QuestionnaireResponse":
            self.wrong("resourceType", resource.get("resourceType"), "is something else", "QuestionnaireResponse")
        status = resource.get("status")
        if status not in _READ_STATUSES:
            self.wrong("status", status, "is not finished, or was withdrawn", " or ".join(_READ_STATUSES))
        named = resource.get("questionnaire")
        if not isinstance(named, str) or named.split("|")[0] != url:
            self.wrong("questionnaire", named, "is another questionnaire", url)

    def items(self, items: object, where: str, depth: int) -> None:
        """Take the answers in ``items``, a list of JSON at ``where``, and in all below them.

        ``depth`` is the number of levels down, from 1; below the deepest that is read they are a problem.
        """
        if not isinstance(items, list) or depth > _DEEPEST:
            self.wrong(
                where, type(items).__name__, "cannot be read", f"a list of items, at most {_DEEPEST} levels deep"
            )
            return
        for index, item in enumerate(items):
            place = f"{where}[{index}]"
            if not isinstance(item, dict) or not isinstance(item.get("linkId"), str):
                self.wrong(place, type(item).__name__, "is not an item with a linkId", "an item of the questionnaire")
                continue
            if "answer" in item:
                self.answer(item["linkId"], item["answer"], f"{place}.answer")
            if "item" in item:
                self.items(item["item"], f"{place}.item", depth + 1)

    def answer(self, link: str, answers: object, where: str) -> None:
        if not isinstance(answers, list) or len(answers) != 1 or not isinstance(answers[0], dict):
            self.wrong(where, link, "needs exactly one answer", "one answer")
            return
        finding = next((name for name, fact in findings_of(self.ruleset).items() if fact.code == link), None)
        axis = next((axis for axis in self.ruleset.axes.values() if _axis_link(axis.name) == link), None)
        if finding is not None:
            self.yes_or_no(finding, answers[0].get("valueBoolean"), where)
        elif axis is not None:
            self.axis_value(axis, answers[0].get("valueCoding"), where)
        elif link == ITEM:
            self.item_worn(answers[0].get("valueString"), where)
        else:
            self.wrong(where, link, "belongs to no question", "a linkId of the questionnaire")

    def yes_or_no(self, finding: str, value: object, where: str) -> None:
        if not isinstance(value, bool):
            self.wrong(finding, value, f"{where} is not a yes or no", "valueBoolean")
        elif self.findings.setdefault(finding, value) is not value:
            self.wrong(finding, value, f"{where} contradicts an earlier answer", "one answer")

    def axis_value(self, axis: Axis, value: object, where: str) -> None:
        codes = {axis_value_code(axis.name, name): name for name in axis.values}
        found = value.get("code") if isinstance(value, dict) else None
        if found not in codes:
            self.wrong(axis.name, found, f"{where} is not a value of this axis", "valueCoding with " + ", ".join(codes))
        elif self.values.setdefault(axis.name, codes[found]) != codes[found]:
            self.wrong(axis.name, found, f"{where} contradicts an earlier answer", "one answer")

    def item_worn(self, value: object, where: str) -> None:
        if isinstance(value, str) and value.strip():
            self.item = value.strip()
        else:
            self.wrong(ITEM, value, f"{where} is not text", "valueString")

    def attempt(self) -> FitAttempt | None:
        values = {
            name: axis.silent for name, axis in self.ruleset.axes.items() if axis.silent is not None
        } | self.values
        missing = [axis.title for name, axis in self.ruleset.axes.items() if name not in values]
        if missing:
            self.wrong("size", None, f"no answer for {', '.join(missing)}", "an answer for each axis of the size worn")
            return None
        return FitAttempt(size=size_class(self.ruleset, values).code, item=self.item, findings=self.findings)
