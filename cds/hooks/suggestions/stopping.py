"""Ending what was ordered for a collar, once the neck is cleared: the device, its orders and the plan together."""

from __future__ import annotations

from collections.abc import Iterable

from cds.fhir.canonical_urls import code
from cds.hooks.suggestions.existing_orders import StandingCare
from cds.protocol.request import Resource
from cds.protocol.response import Action
from rules.model.decision import Decision
from rules.model.ruleset import Ruleset

CLEARED = "clearance_recorded"
"""The fact, where the rule set has it, that the responsible clinician has cleared the neck."""


def is_cleared(decision: Decision) -> bool:
    """Whether the record says that the neck is cleared."""
    return any(fact.name == CLEARED and fact.value is True for fact in decision.facts)


def ended(standing: StandingCare, decision: Decision, ruleset: Ruleset) -> tuple[Action, ...]:
    """Updates that end everything that stands for the collar. What asks whether it should end stands on."""
    asking = {code(task.task) for task in decision.tasks if _reads_clearance(task.rules, ruleset)}
    spared = {id(resource) for name, resource in standing.by_code.items() if name in asking}
    return tuple(
        Action(type="update", description=_described(resource), resource={**resource, "status": _over(resource)})
        for resource in standing.orders()
        if id(resource) not in spared or resource["resourceType"] == "CarePlan"
    )


def _reads_clearance(rules: Iterable[str], ruleset: Ruleset) -> bool:
    return any(CLEARED in ruleset.rules[rule].reads for rule in rules)


def _over(resource: Resource) -> str:
    """A draft was never in force, so it is revoked; what was in force is completed."""
    return "revoked" if resource["status"] == "draft" else "completed"


def _described(resource: Resource) -> str:
    kind = {"DeviceRequest": "device", "CarePlan": "care plan"}.get(resource["resourceType"], "order")
    coded = resource.get("code") or resource.get("codeCodeableConcept")
    words = resource.get("title") or (coded.get("text") if isinstance(coded, dict) else None)
    return f"End the {kind}: {words}" if isinstance(words, str) and words else f"End the {kind}"
