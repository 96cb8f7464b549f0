"""What is ordered and planned already, in the draft orders and in the record, so that nothing is suggested twice."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.json_access import codings, items, mapping, text
from cds.fhir.writing.request_common import TASKS
from cds.fhir.writing.service_request import ORDERS
from cds.protocol.request import Resource, names_another_patient

STANDING = ("draft", "active", "on-hold")
"""The states of an order or a plan that is not over."""


@dataclass(frozen=True)
class StandingCare:
    """References to what stands, by the task or order code that it covers; ``plan`` is a care plan of this rule set."""

    by_code: dict[str, str]
    plan: str | None
    urls: Canonicals
    ruleset: str

    @classmethod
    def of(cls, resources: Iterable[Resource], patient: str, urls: Canonicals, ruleset: str) -> StandingCare:
        """What stands among ``resources``: those of ``patient`` (an id) that are a draft or active, and have an id themselves."""
        by_code: dict[str, str] = {}
        plan: str | None = None
        for resource in resources:
            subject = text(mapping(resource, "subject"), "reference") or ""
            if resource.get("status") not in STANDING or not isinstance(resource.get("id"), str):
                continue
            if names_another_patient(subject, patient):
                continue
            reference = f"{resource['resourceType']}/{resource['id']}"
            if resource["resourceType"] == "CarePlan" and _is_of_ruleset(resource, urls, ruleset):
                plan = plan or reference
            for found in _own_codes(resource, urls):
                by_code.setdefault(found, reference)
        return cls(by_code, plan, urls, ruleset)

    def reference_of(self, resource: Resource) -> str | None:
        """What stands already for ``resource``, a resource that we would create."""
        if resource["resourceType"] == "CarePlan":
            return self.plan
        if resource["resourceType"] != "ServiceRequest":
            return None
        return next((self.by_code[found] for found in _own_codes(resource, self.urls) if found in self.by_code), None)

    def covers(self, task: str) -> bool:
        """Whether the task is ordered or planned; a care plan of this rule set covers all."""
        return self.plan is not None or self.covers_task(task)

    def covers_task(self, task: str) -> bool:
        """Whether the task itself is ordered, or named in a care plan."""
        return code(task) in self.by_code


def _own_codes(resource: Resource, urls: Canonicals) -> Iterator[str]:
    concepts = [resource.get("code")] if resource["resourceType"] == "ServiceRequest" else []
    if resource["resourceType"] == "CarePlan":
        concepts = [mapping(activity, "detail").get("code") for activity in items(resource, "activity")]
    systems = (urls.code_system(TASKS), urls.code_system(ORDERS))
    for coding in codings(concepts):
        if coding.get("system") in systems and isinstance(coding.get("code"), str):
            yield coding["code"]


def _is_of_ruleset(plan: Resource, urls: Canonicals, ruleset: str) -> bool:
    ours = urls.artefact("PlanDefinition", ruleset)
    return any(
        isinstance(canonical, str) and canonical.split("|")[0] == ours
        for canonical in items(plan, "instantiatesCanonical")
    )
