"""Ending what was ordered for a collar, once the neck is cleared: the device, its orders and the plan together."""

from __future__ import annotations

from cds.fhir.canonical_urls import code
from cds.fhir.json_access import shown
from cds.hooks.suggestions.changeable import why_unchangeable, with_true_narrative
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.protocol.request import Resource
from cds.protocol.response import Action
from rules.model.decision import Decision, Task
from rules.model.ruleset import Ruleset

CLEARED = "clearance_recorded"
"""The fact, where the rule set has it, that the responsible clinician has cleared the neck."""


def is_cleared(decision: Decision, ruleset: Ruleset) -> bool:
    """Whether ``decision`` says that the neck is cleared, and nothing on record speaks for the collar: that leads it then.

    ``ruleset`` tells which rules ask whether it is.
    """
    return any(CLEARED in ruleset.rules[rule].reads for caution in decision.leading for rule in caution.rules)


def ended(standing: StandingCare, decision: Decision, ruleset: Ruleset) -> tuple[Action, ...]:
    """Updates that end what is ``standing`` for the collar and can be changed.

    What asks whether it should end stands on: that is told by the tasks of ``decision`` and the rules of ``ruleset``.
    """
    return tuple(
        Action(type="update", description=_described(resource), resource=_ended(resource))
        for resource in _to_end(standing, decision, ruleset)
        if why_unchangeable(resource) is None
    )


def to_end_by_hand(standing: StandingCare, decision: Decision, ruleset: Ruleset) -> list[str]:
    """What is ``standing`` for the collar and cannot be ended by an update, each with the reason.

    Somebody ends it in the record. ``decision`` and ``ruleset`` are those of ``ended``.
    """
    left = ((each, why_unchangeable(each)) for each in (*_to_end(standing, decision, ruleset), *standing.unread))
    named = {f"{each['resourceType']}/{each['id']}": why for each, why in left if why is not None}
    return [f"{name}: {why}" for name, why in named.items()]


def _to_end(standing: StandingCare, decision: Decision, ruleset: Ruleset) -> list[Resource]:
    asking = {code(task.task) for task in _asking(decision, ruleset)}
    spared = {id(resource) for name, resource in standing.by_code.items() if name in asking}
    return [
        resource
        for resource in standing.orders()
        if id(resource) not in spared or resource["resourceType"] == "CarePlan"
    ]


def _ended(resource: Resource) -> Resource:
    return with_true_narrative({**resource, "status": _over(resource)})


def to_be_ordered(decision: Decision, ruleset: Ruleset) -> Decision:
    """``decision`` with the care that may still be ordered: once the neck is cleared, only what asks whether to end it.

    ``ruleset`` tells which tasks ask that. Else one card would order what another offers to end.
    """
    if not is_cleared(decision, ruleset):
        return decision
    return decision.model_copy(update={"tasks": _asking(decision, ruleset), "instructions": (), "leaflets": ()})


def _asking(decision: Decision, ruleset: Ruleset) -> tuple[Task, ...]:
    """The tasks that ask whether what stands for the collar should end."""
    return tuple(task for task in decision.tasks if any(CLEARED in ruleset.rules[rule].reads for rule in task.rules))


def _over(resource: Resource) -> str:
    """A draft was never in force, so it is revoked; what was in force is completed."""
    return "revoked" if resource["status"] == "draft" else "completed"


def _described(resource: Resource) -> str:
    kind = {"DeviceRequest": "device", "CarePlan": "care plan"}.get(resource["resourceType"], "order")
    coded = resource.get("code") or resource.get("codeCodeableConcept")
    words = resource.get("title") or (coded.get("text") if isinstance(coded, dict) else None)
    named = shown(words) if isinstance(words, str) else ""
    return f"End the {kind}: {named}" if named else f"End the {kind}"
