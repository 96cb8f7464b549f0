"""The care plan: what is not ordered on its own as activities, the orders by reference, cautions and refusals as notes.

What several activities share stands in the plan once, contained: a goal, and the role of whoever does it.
"""

from __future__ import annotations

from functools import lru_cache

from cds.fhir.canonical_urls import Canonicals
from cds.fhir.datatypes import Element, Resource, concept, instant, present, rule_extensions, text
from cds.fhir.writing.device_request import DEVICE
from cds.fhir.writing.fhir_timing import fhir_timing
from cds.fhir.writing.identifiers import reference_to, urn
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.patient_instructions import instruction_notes
from cds.fhir.writing.provenance import supporting_records
from cds.fhir.writing.request_common import (
    RULE,
    note,
    opening,
    parties,
    people_needed,
    role,
    task_concept,
)
from cds.fhir.writing.service_request import (
    FIT_COLLAR,
    FIT_TASK,
    REVIEW,
    caution_notes,
    ordered_tasks,
    review_service_request,
    size_rules,
)
from rules.model.decision import Decision, NotUsed, Task

CARE_PLAN = "care-plan"

_MOST_KEPT = 1024
"""Tasks whose activities are kept; patients ask for far fewer different ones."""

_AUTHORS = ("Patient", "Practitioner", "PractitionerRole", "Device", "RelatedPerson", "Organization")


def care_plan(decision: Decision, context: OrderContext) -> Resource:
    """The CarePlan of ``decision``, to be created together with its orders and its device, which it refers to.

    ``context`` says for whom, and at whose request, it is written.
    """
    tasks = planned_tasks(decision)
    rules = dict.fromkeys(rule for task in tasks for rule in task.rules)
    used = supporting_records(decision, [*rules, *size_rules(decision)])
    goals, roles = _goals(tasks), _roles(tasks)
    who = parties(decision, context, _AUTHORS)
    return present(
        resourceType="CarePlan",
        contained=[
            *(_goal(name, words, context) for words, name in goals.items()),
            *(_role(name, *performer, context) for performer, name in roles.items()),
        ],
        # Without rules: each activity, the order that one refers to, and each note names its own.
        **opening(decision, context, urn(decision, context, CARE_PLAN), ()),
        title="Care in a rigid neck collar",
        description=text(decision.disclaimer),
        subject=who["subject"],
        encounter=who.get("encounter"),
        created=instant(decision.at),
        author=who.get("requester"),
        supportingInfo=[*used.reason_references, *used.supporting_info],
        goal=[{"reference": f"#{name}"} for name in goals.values()],
        activity=[*_ordered(decision, context), *(_activity(decision, task, goals, roles, context) for task in tasks)],
        note=[
            *_holds(decision, context),
            *caution_notes(decision, context),
            *instruction_notes(decision, context),
            *_refused(decision, context),
        ],
    )


def planned_tasks(decision: Decision) -> tuple[Task, ...]:
    """The tasks of ``decision`` that are activities of the plan."""
    return tuple(task for task in decision.tasks if task.request != "order" and task.task != FIT_TASK)


def _goals(tasks: tuple[Task, ...]) -> dict[str, str]:
    outcomes = dict.fromkeys(task.outcome for task in tasks if task.outcome)
    return {outcome: f"goal-{position}" for position, outcome in enumerate(outcomes, 1)}


def _goal(name: str, words: str, context: OrderContext) -> Resource:
    return {
        "resourceType": "Goal",
        "id": name,
        "lifecycleStatus": "proposed",
        "description": concept(words),
        "subject": {"reference": context.patient},
    }


def _roles(tasks: tuple[Task, ...]) -> dict[tuple[str, str], str]:
    """The name of each role, coded and in words, in the plan."""
    performers = dict.fromkeys((task.performer, task.performer_words) for task in tasks)
    return {performer: f"role-{position}" for position, performer in enumerate(performers, 1)}


def _role(name: str, performer: str, words: str, context: OrderContext) -> Resource:
    return {"resourceType": "PractitionerRole", "id": name, "code": [role(performer, words, context.canonicals)]}


def _ordered(decision: Decision, context: OrderContext) -> list[Element]:
    """An activity for each order and for the device, by reference: these name their rules themselves."""
    parts = []
    if decision.size_class is not None:
        parts += [("ServiceRequest", FIT_COLLAR), ("DeviceRequest", DEVICE)]
    elif review_service_request(decision, context) is not None:
        parts.append(("ServiceRequest", REVIEW))
    parts += [("ServiceRequest", task.task) for task in ordered_tasks(decision)]
    return [{"reference": reference_to(urn(decision, context, part), resource_type)} for resource_type, part in parts]


def _activity(
    decision: Decision,
    task: Task,
    goals: dict[str, str],
    roles: dict[tuple[str, str], str],
    context: OrderContext,
) -> Element:
    performer = roles[task.performer, task.performer_words]
    used = supporting_records(decision, task.rules)
    extensions, detail = _of_any_patient(task, context.canonicals)
    return {
        "extension": extensions,
        "detail": detail
        | present(
            reasonReference=used.reason_references,
            performer=[{"reference": f"#{performer}", "display": text(task.performer_words)}],
            goal=[{"reference": f"#{goals[task.outcome]}"}] if task.outcome else None,
            scheduledTiming=fhir_timing(task.timing, task.timing_words, decision.at, context.canonicals),
        ),
    }


@lru_cache(_MOST_KEPT)
def _of_any_patient(task: Task, urls: Canonicals) -> tuple[list[Element], Element]:
    """The rules behind ``task``, and what its detail says of no patient in particular. Shared: never to be changed."""
    return rule_extensions(urls.extension(RULE), task.rules), present(
        extension=[people_needed(task.people, urls)] if task.people > 1 else None,
        kind="Task",
        code=task_concept(task.task, task.title, urls),
        reasonCode=[concept(reason) for reason in task.reasons],
        status="not-started",
        location={"display": text(task.location)} if task.location else None,
        description=text("\n".join([task.instruction, *task.details])),
    )


def _holds(decision: Decision, context: OrderContext) -> list[Element]:
    return [note(decision, f"No size is given: {hold.text}", context, hold.rules) for hold in decision.holds]


def _refused(decision: Decision, context: OrderContext) -> list[Element]:
    if not decision.not_used:
        return []
    lines = [refusal_line(refused) for refused in decision.not_used]
    return [note(decision, "Seen and not used:\n" + "\n".join(f"- {line}" for line in lines), context)]


def refusal_line(refused: NotUsed) -> str:
    """What was seen and not used, where, and why, for one that was ``refused``."""
    where = f" ({refused.reference})" if refused.reference else ""
    return f"{refused.about or 'not recognised'}: {text(refused.value)}{where}: {refused.reason}"
