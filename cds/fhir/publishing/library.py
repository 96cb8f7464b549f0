"""The rule set as a Library: what goes in, what comes out, and everything that it rests on."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, extension, present, text
from cds.fhir.publishing.metadata import heading
from cds.fhir.writing.request_common import RULESET_HASH
from rules.model.facts import FactDefinition
from rules.model.ruleset import Ruleset

_TYPE = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "logic-library"}],
    "text": "Logic library",
}
_VALUE_TYPES = {"number": "decimal", "integer": "integer", "boolean": "boolean", "code": "code"}


def library(ruleset: Ruleset, urls: Canonicals) -> Resource:
    """The Library of ``ruleset``. Each parameter is a fact, which conditions name as ``%NAME``."""
    return present(
        **heading("Library", ruleset.name, ruleset.title, ruleset.disclaimer, ruleset, urls),
        extension=[extension(urls.extension(RULESET_HASH), {"valueString": ruleset.hash})],
        type=_TYPE,
        relatedArtifact=list(_published(ruleset)),
        parameter=[entry for fact in ruleset.vocabulary.values() for entry in _parameters(fact)],
    )


def _published(ruleset: Ruleset) -> Iterable[Element]:
    for name, source in ruleset.sources.items():
        if source.kind == "published":
            yield present(
                type="citation",
                label=text(name),
                display=source.supports and text(source.supports),
                citation=text(source.citation),
            )


def _parameters(fact: FactDefinition) -> Iterable[Element]:
    """A fact goes in where an observer may give it, and comes out where rules may conclude it."""
    uses = {"observed": ("in",), "concluded": ("out",), "either": ("in", "out")}[fact.given]
    unit = f" In {fact.unit}." if fact.unit else ""
    for use in uses:
        yield {
            "name": fact.name,
            "use": use,
            "min": 0,
            "max": "1",
            "documentation": text(fact.meaning + unit),
            "type": _VALUE_TYPES[fact.type],
        }
