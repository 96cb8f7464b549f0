"""Every fact that an observer may give as a Questionnaire: what to find out, and how, in the types that are read back."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import UCUM, Element, Resource, coding, extension, present, text
from cds.fhir.publishing.metadata import heading
from cds.fhir.publishing.questionnaire import LAUNCHED_WITH_PATIENT
from cds.fhir.reading.code_map import FACTS
from rules.deciding.fit_check import FROM_HISTORY
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset
from rules.model.units import is_annotation

NAME = "patient-facts"

_TYPES = {"boolean": "boolean", "code": "choice", "integer": "integer", "number": "decimal"}
_UNIT = "http://hl7.org/fhir/StructureDefinition/questionnaire-unit"
_DESCRIBED = (
    "What the rules ask of a patient. What is not known is left without an answer: unknown is not no. A completed response is "
    "read with the other records."
)


def fact_questionnaire(ruleset: Ruleset, urls: Canonicals) -> Resource:
    """The facts of ``ruleset`` as questions in three groups: dangers, what is measured or counted, and the rest.

    The fit check has its own. ``urls`` are those of the artefact and its codes.
    """
    facts = [
        fact
        for fact in ruleset.vocabulary.values()
        if fact.given != "concluded" and not fact.finding and fact.name not in FROM_HISTORY
    ]
    dangers = [fact for fact in facts if fact.danger is not None]
    measured = [fact for fact in facts if fact.numeric]
    seen = [fact for fact in facts if fact.danger is None and not fact.numeric]
    groups = (
        ("dangers", "Dangers", dangers),
        ("measured", "Measured or counted", measured),
        ("seen", "Seen or known", seen),
    )
    return present(
        **heading("Questionnaire", NAME, "Facts about a patient with a neck collar", _DESCRIBED, ruleset, urls),
        extension=[LAUNCHED_WITH_PATIENT],
        subjectType=["Patient"],
        item=[
            {"linkId": link, "text": title, "type": "group", "item": list(_questions(asked, ruleset, urls))}
            for link, title, asked in groups
            if asked
        ],
    )


def _questions(facts: Iterable[FactDefinition], ruleset: Ruleset, urls: Canonicals) -> Iterable[Element]:
    for fact in facts:
        unit = _measured_in(fact)
        yield present(
            extension=[extension(_UNIT, {"valueCoding": coding(UCUM, unit)})] if unit else None,
            linkId=fact.name,
            code=[coding(urls.code_system(FACTS), fact.code, text(fact.label))],
            text=text(fact.ask or fact.meaning),
            type="quantity" if unit else _TYPES[fact.type],
            answerValueSet=f"{urls.value_set(fact.code)}|{ruleset.version}" if fact.type == "code" else None,
        )


def _measured_in(fact: FactDefinition) -> str | None:
    """The unit of ``fact`` where it is one of measurement; what is only counted is a plain number."""
    return None if fact.unit is None or is_annotation(fact.unit) else fact.unit
