"""What is ordered and planned already, in the draft orders and in the record, so that nothing is suggested twice."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass

from cds.fhir.canonical_urls import Canonicals, code
from cds.fhir.codes import STANDING
from cds.fhir.json_access import codings, items, mapping, text
from cds.fhir.prohibition import is_to_be_done
from cds.fhir.writing.request_common import TASKS
from cds.fhir.writing.service_request import FIT_COLLAR, ORDERS, SIZE_CLASSES
from cds.hooks.suggestions.changeable import has_usable_id, unknown_modifier
from cds.protocol.prefetch import ORDERED
from cds.protocol.request import Resource, names_another_patient


@dataclass(frozen=True)
class StandingCare:
    """What stands, by the task or order code that it covers; the collar itself; and the care plans of this rule set.

    ``unread`` are orders and plans of care that carry a modifier which is not known here: they cover nothing. ``collars``
    are all orders of a collar, of its device or its fitting.
    """

    by_code: Mapping[str, Resource]
    device: Resource | None
    plans: tuple[Resource, ...]
    urls: Canonicals
    unread: tuple[Resource, ...] = ()
    collars: tuple[Resource, ...] = ()

    @classmethod
    def of(
        cls,
        resources: Iterable[Resource],
        patient: str,
        urls: Canonicals,
        ruleset: str,
        orders_a_collar: Callable[[Resource], bool],
    ) -> StandingCare:
        """What stands among ``resources``: those of ``patient`` (an id) that are not over, and have an id themselves.

        ``orders_a_collar`` knows the site's own orders for a collar, which count as ours do. Of several the first
        counts. What forbids or may (``doNotPerform``) covers nothing; an order of a collar counts though a modifier of it is
        not known, so that no other is ordered beside it. ``urls`` are those of our codes; ``ruleset`` is the name of
        the rule set, whose care plans count.
        """
        by_code: dict[str, Resource] = {}
        device: Resource | None = None
        plans: list[Resource] = []
        unread: list[Resource] = []
        collars: dict[tuple[str, str], Resource] = {}
        for resource in resources:
            kind = resource["resourceType"]
            if kind not in ORDERED or not _stands(resource, patient):
                continue
            understood, is_collar = unknown_modifier(resource) is None, False
            if kind == "CarePlan" and _is_of_ruleset(resource, urls, ruleset):
                (plans if understood else unread).append(resource)
            elif kind == "DeviceRequest" and (_states_a_size(resource, urls) or orders_a_collar(resource)):
                device, is_collar = device or resource, True
            elif kind == "ServiceRequest" and orders_a_collar(resource):
                by_code.setdefault(FIT_COLLAR, resource)
                is_collar = True
            for found in _own_codes(resource, urls):
                is_collar = is_collar or (found == FIT_COLLAR and kind == "ServiceRequest")
                if understood or found == FIT_COLLAR:
                    by_code.setdefault(found, resource)
                elif resource not in unread:
                    unread.append(resource)
            if is_collar:
                collars.setdefault((kind, resource["id"]), resource)
        return cls(by_code, device, tuple(plans), urls, tuple(unread), tuple(collars.values()))

    @property
    def collar(self) -> Resource | None:
        """The order of a collar that stands; None where there is none."""
        return self.device or self.by_code.get(FIT_COLLAR)

    def reference_of(self, resource: Resource) -> str | None:
        """What stands already for ``resource``, a resource that we would create."""
        found: Resource | None = None
        if resource["resourceType"] == "CarePlan":
            found = next(iter(self.plans), None)
        elif resource["resourceType"] == "DeviceRequest":
            found = self.device
        elif resource["resourceType"] == "ServiceRequest":
            found = next((self.by_code[own] for own in _own_codes(resource, self.urls) if own in self.by_code), None)
        return None if found is None else f"{found['resourceType']}/{found['id']}"

    def covers(self, task: str) -> bool:
        """Whether ``task`` (an id) is ordered or planned; a care plan of this rule set covers all."""
        return bool(self.plans) or self.covers_task(task)

    def covers_task(self, task: str) -> bool:
        """Whether ``task`` (an id) itself is ordered, or named in a care plan."""
        return code(task) in self.by_code

    def holds_notes(self, notes: Iterable[str]) -> bool:
        """Whether each of ``notes`` stands, word by word, in a plan; True where there are none."""
        held = {text(note, "text") for plan in self.plans for note in items(plan, "note")}
        return set(notes) <= held

    def orders(self) -> list[Resource]:
        """Each order and plan that stands, once: the collar, its care, the plan."""
        every = [*([self.device] if self.device else []), *self.by_code.values(), *self.plans]
        return list({(each["resourceType"], each["id"]): each for each in every}.values())

    def in_words(self) -> str | None:
        """What stands, as the end of a sentence (``the collar, its care plan and 4 orders of care``); None where nothing does."""
        own = {each["id"] for name, each in self.by_code.items() if each["resourceType"] == "ServiceRequest"}
        fitting = self.by_code.get(FIT_COLLAR)
        care = len(own - ({fitting["id"]} if fitting else set()))
        named = [
            *(["the collar"] if self.device or fitting else []),
            *(["a care plan"] if self.plans else []),
            *([f"{care} {'order' if care == 1 else 'orders'} of care"] if care else []),
        ]
        return " and ".join([", ".join(named[:-1]), named[-1]] if len(named) > 1 else named) or None


def _stands(resource: Resource, patient: str) -> bool:
    subject = text(mapping(resource, "subject"), "reference") or ""
    if not is_to_be_done(resource) or resource.get("status") not in STANDING:
        return False
    return has_usable_id(resource) and not names_another_patient(subject, patient)


def _own_codes(resource: Resource, urls: Canonicals) -> Iterator[str]:
    concepts = [resource.get("code")] if resource["resourceType"] == "ServiceRequest" else []
    if resource["resourceType"] == "CarePlan":
        details = [mapping(activity, "detail") for activity in items(resource, "activity")]
        concepts = [detail.get("code") for detail in details if is_to_be_done(detail)]
    systems = (urls.code_system(TASKS), urls.code_system(ORDERS))
    for coding in codings(concepts):
        if coding.get("system") in systems and isinstance(coding.get("code"), str):
            yield coding["code"]


def _states_a_size(device: Resource, urls: Canonicals) -> bool:
    system = urls.code_system(SIZE_CLASSES)
    return any(coding.get("system") == system for coding in codings([device.get("codeCodeableConcept")]))


def _is_of_ruleset(plan: Resource, urls: Canonicals, ruleset: str) -> bool:
    ours = urls.artefact("PlanDefinition", ruleset)
    return any(
        isinstance(canonical, str) and canonical.split("|")[0] == ours
        for canonical in items(plan, "instantiatesCanonical")
    )
