"""What all resources of one suggestion have in common: a draft proposal, for whom, by which rules, on which records."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.datatypes import Element, Resource, coding, concept, extension, instant, present, rule_extensions, text
from cds.fhir.writing.identifiers import identifier
from cds.fhir.writing.order_context import OrderContext, referenced_type
from rules.model.decision import Decision

RULE = "rule"
RULESET_HASH = "ruleset-hash"
PEOPLE_NEEDED = "people-needed"

PERFORMER_ROLES = "performer-roles"
TASKS = "tasks"


def opening(decision: Decision, context: OrderContext, name: str, rules: Iterable[str]) -> Element:
    """The first elements of a request by ``decision``: extensions, identifier, rule set, status and intent.

    ``name`` is the identifier (a URN), ``rules`` are the ids behind it; ``context`` has the canonical URLs. Always
    draft and proposal: a clinician signs.
    """
    ruleset = decision.ruleset
    urls = context.canonicals
    return {
        "extension": [
            extension(urls.extension(RULESET_HASH), {"valueString": ruleset.hash}),
            *rule_extensions(urls.extension(RULE), rules),
        ],
        "identifier": [identifier(name)],
        "instantiatesCanonical": [urls.artefact("PlanDefinition", ruleset.name, ruleset.version)],
        "status": "draft",
        "intent": "proposal",
    }


def named_rules(resource: Resource, urls: Canonicals) -> list[Element]:
    """The extensions by which ``resource``, one of ours under ``urls``, names the rules behind it."""
    return [each for each in resource["extension"] if each["url"] == urls.extension(RULE)]


def parties(decision: Decision, context: OrderContext, requesters: tuple[str, ...]) -> Element:
    """Subject, encounter, moment of ``decision``, and the requester, as ``context`` has them.

    A requester is left out whose type is not one of ``requesters``, those that the resource allows.
    """
    requester = context.requester
    allowed = requester is not None and referenced_type(requester) in requesters
    return present(
        subject={"reference": context.patient},
        encounter=context.encounter and {"reference": context.encounter},
        authoredOn=instant(decision.at),
        requester={"reference": requester} if allowed else None,
    )


def note(decision: Decision, words: str, context: OrderContext, rules: Iterable[str] = ()) -> Element:
    """An Annotation with ``words`` in the name of the rule set of ``decision``, with the ids of the ``rules`` behind it.

    ``context`` has the canonical URLs.
    """
    return present(
        extension=rule_extensions(context.canonicals.extension(RULE), rules),
        authorString=f"decision support, rule set {decision.ruleset.name} {decision.ruleset.version}",
        text=text(words),
    )


def role(name: str, words: str, urls: Canonicals) -> Element:
    """Who does it, as the role ``name``: a CodeableConcept, coded under ``urls`` and in ``words``."""
    return concept(words, coding(urls.code_system(PERFORMER_ROLES), code(name)))


def people_needed(people: int, urls: Canonicals) -> Element:
    """How many ``people`` it takes, as an Extension defined under ``urls``."""
    return extension(urls.extension(PEOPLE_NEEDED), {"valuePositiveInt": people})


def task_concept(name: str, title: str, urls: Canonicals) -> Element:
    """What is to be done: the task ``name``, coded under ``urls``, and its ``title`` in words."""
    return concept(title, coding(urls.code_system(TASKS), code(name)))
