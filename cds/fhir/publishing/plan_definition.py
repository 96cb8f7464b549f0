"""The rules as a PlanDefinition, and each piece of care as an ActivityDefinition, for systems that read such things.

An action of the plan is a rule: its condition, why, on which evidence, and what it does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, extension, present, rule_extensions, text
from cds.fhir.publishing.cql.outcomes import merged_task
from cds.fhir.publishing.cql.syntax import name as cql_name
from cds.fhir.publishing.expression_languages.published_codes import published_condition, published_value
from cds.fhir.publishing.fhirpath.condition import fhirpath
from cds.fhir.publishing.metadata import heading
from cds.fhir.writing.device_request import axis_value_code
from cds.fhir.writing.fhir_timing import fhir_timing
from cds.fhir.writing.request_common import PEOPLE_NEEDED, RULE, RULESET_HASH, people_needed, role, task_concept
from rules.model.conditions import describe
from rules.model.expressions import render
from rules.model.rule_text import describe_value
from rules.model.ruleset import Conclusion, Rule, Ruleset, TaskCall, TaskDefinition

_PLAN_TYPE = {
    "coding": [{"system": "http://terminology.hl7.org/CodeSystem/plan-definition-type", "code": "clinical-protocol"}],
    "text": "Clinical protocol",
}
"""Not ``eca-rule``: no event sets a rule off, whoever asks for the decision does."""
_ALTERNATIVE = "http://hl7.org/fhir/StructureDefinition/cqf-alternativeExpression"


def plan_definition(ruleset: Ruleset, urls: Canonicals) -> Resource:
    """Every rule of ``ruleset`` as one PlanDefinition, in the order of evaluation; ``urls`` has its canonical URL."""
    return present(
        **heading("PlanDefinition", ruleset.name, ruleset.title, ruleset.disclaimer, ruleset, urls),
        extension=[extension(urls.extension(RULESET_HASH), {"valueString": ruleset.hash})],
        type=_PLAN_TYPE,
        library=[urls.artefact("Library", ruleset.name, ruleset.version)],
        action=[
            _rule(ruleset, rule, f"{layer}.{place}", urls)
            for layer, stratum in enumerate(ruleset.strata, start=1)
            for place, rule in enumerate(stratum, start=1)
        ],
    )


def activity_definitions(ruleset: Ruleset, urls: Canonicals) -> Iterable[Resource]:
    """Each piece of care that rules of ``ruleset`` may ask for; ``urls`` has the canonical URLs."""
    for name, task in ruleset.tasks.items():
        yield present(
            **heading("ActivityDefinition", name, task.title, task.instruction, ruleset, urls),
            extension=[people_needed(task.least_people, urls)],
            library=[urls.artefact("Library", ruleset.name, ruleset.version)],
            purpose=task.outcome and text(task.outcome),
            kind="ServiceRequest" if task.request == "order" else "Task",
            code=task_concept(name, task.title, urls),
            intent="proposal",
            participant=[_participant(task.performer, ruleset, urls)],
            location={"display": text(task.location)} if task.location else None,
        )


def _rule(ruleset: Ruleset, rule: Rule, place: str, urls: Canonicals) -> Element:
    """``rule`` as an action. ``place`` is its layer, which reads what earlier ones conclude, and its number in the layer."""
    when = published_condition(rule.when)
    return present(
        extension=rule_extensions(urls.extension(RULE), [rule.id]),
        prefix=place,
        title=text(rule.title),
        description=text(rule.because),
        documentation=[_evidence(ruleset, cited) for cited in rule.sources],
        condition=[
            {
                "kind": "applicability",
                "expression": {
                    "extension": [extension(_ALTERNATIVE, {"valueExpression": _by_cql(rule.id, ruleset, urls)})],
                    "description": text(describe(when)),
                    "language": "text/fhirpath",
                    "expression": fhirpath(when),
                },
            }
        ],
        action=[*_statements(rule), *(_task(ruleset, call, urls) for call in rule.then.tasks)],
    )


def _by_cql(definition: str, ruleset: Ruleset, urls: Canonicals) -> Element:
    """What ``definition`` of the Library says: it reads the facts itself."""
    return {
        "language": "text/cql",
        "expression": cql_name(definition),
        "reference": urls.artefact("Library", ruleset.name, ruleset.version),
    }


def _evidence(ruleset: Ruleset, cited: str) -> Element:
    source = ruleset.sources[cited]
    kind = source.kind.replace("_", " ")
    memory = ", recalled from memory" if source.from_memory else ""
    return {
        "type": "citation" if source.kind == "published" else "justification",
        "label": text(cited),
        "display": text(f"{kind}{memory}"),
        "citation": text(source.citation),
    }


def _statements(rule: Rule) -> Iterator[Element]:
    """What a rule does besides asking for tasks, in words."""
    then = rule.then
    for conclusion in then.conclusions:
        yield {"title": "Conclude", "textEquivalent": text(f"{conclusion.fact} = {_concluded(conclusion)}")}
    for offer in then.sizes:
        size = axis_value_code(offer.axis, offer.value)
        first = ", first" if offer.first else ""
        yield {"title": "Offer a size", "textEquivalent": text(f"{size} ({offer.basis}{first})")}
    for hold in then.holds:
        yield {"title": "Give no size", "textEquivalent": text(hold.text)}
    for caution in then.cautions:
        yield {"title": "Caution", "textEquivalent": text(f"{caution.severity.capitalize()}: {caution.text}")}
    for correction in then.corrections:
        yield {"title": "Correct the fit", "textEquivalent": text(f"{correction.cause} {correction.correction}")}
    for name in then.instructions:
        yield {"title": "Give the patient in writing", "textEquivalent": text(name)}
    for name in then.questions:
        yield {"title": "Ask where it is not recorded", "textEquivalent": text(name)}


def _concluded(conclusion: Conclusion) -> str:
    if conclusion.expression is not None:
        return render(conclusion.expression)
    return describe_value(None if conclusion.value is None else published_value(conclusion.value))


def _task(ruleset: Ruleset, call: TaskCall, urls: Canonicals) -> Element:
    task: TaskDefinition = ruleset.tasks[call.task]
    if call.joins:
        hands = [f"{ruleset.hands[name].words} ({count})" for name, count in call.hands.items()]
        added = "; ".join([*hands, *([call.detail] if call.detail else [])])
        return {"title": text(f"Add to: {task.title}"), "textEquivalent": text(added)}
    words = call.timing.describe(ruleset.triggers)
    return present(
        extension=[people_needed(call.people, urls)] if call.people is not None else None,
        title=text(task.title),
        description=call.detail and text(call.detail),
        timingTiming=fhir_timing(call.timing, words, None, urls),
        participant=[_participant(call.performer or task.performer, ruleset, urls)],
        definitionCanonical=urls.artefact("ActivityDefinition", call.task, ruleset.version),
        dynamicValue=[_people(call.task, ruleset, urls)],
    )


def _people(task: str, ruleset: Ruleset, urls: Canonicals) -> Element:
    """How many people it takes once every rule that asks for ``task`` is heard."""
    merged = _by_cql(merged_task(task), ruleset, urls)
    path = f"extension.where(url = '{urls.extension(PEOPLE_NEEDED)}').value"
    return {"path": path, "expression": merged | {"expression": f"{merged['expression']}.people"}}


def _participant(performer: str, ruleset: Ruleset, urls: Canonicals) -> Element:
    return {"type": "practitioner", "role": role(performer, ruleset.roles[performer], urls)}
