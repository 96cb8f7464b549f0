"""A small EHR that carries out what cards offer, as transactions, and sends what stands with the next call."""

from __future__ import annotations

from typing import Any

from tests.cds.hook_calls import bundle

Json = dict[str, Any]

PREFETCHED = {"ServiceRequest": "orders", "DeviceRequest": "deviceOrders", "CarePlan": "plans"}


class Record:
    """The orders and plans of one patient in an EHR that carries out what a card offers."""

    def __init__(self, sent: Json) -> None:
        self.resources: list[Json] = [
            entry["resource"]
            for key in PREFETCHED.values()
            for entry in (sent["prefetch"].get(key) or {"entry": []})["entry"]
        ]

    def accept(self, actions: list[Json]) -> None:
        """Sign what is offered, as a transaction: references between new resources are resolved.

        https://hl7.org/fhir/R4/http.html#trules
        """
        placed: dict[str, str] = {}
        created = [action["resource"] for action in actions if action["type"] == "create"]
        for number, resource in enumerate(created, len(self.resources) + 1):
            (name,) = {each["value"] for each in resource["identifier"] if each["value"].startswith("urn:uuid:")}
            placed[name] = f"{resource['resourceType']}/new-{number}"
        for number, resource in enumerate(created, len(self.resources) + 1):
            self._put({**_resolved(resource, placed), "id": f"new-{number}"})
        for action in actions:
            if action["type"] == "update":
                self._put(action["resource"])

    def _put(self, resource: Json) -> None:
        resource = {**resource, "status": "active" if resource["status"] == "draft" else resource["status"]}
        same = [(each["resourceType"], each["id"]) for each in self.resources]
        key = (resource["resourceType"], resource["id"])
        if key in same:
            self.resources[same.index(key)] = resource
        else:
            self.resources.append(resource)

    def prefetch(self) -> Json:
        """What a search for orders that are a draft or active brings."""
        standing = [each for each in self.resources if each["status"] in ("draft", "active")]
        by_key = {key: [each for each in standing if each["resourceType"] == kind] for kind, key in PREFETCHED.items()}
        return {key: bundle(*found) if found else None for key, found in by_key.items()}


def _resolved(value: Any, placed: dict[str, str]) -> Any:
    if isinstance(value, dict):
        return {key: _resolved(part, placed) for key, part in value.items()}
    if isinstance(value, list):
        return [_resolved(part, placed) for part in value]
    return placed.get(value, value) if isinstance(value, str) else value


def offered(answer: Json) -> list[Json]:
    """Every action of every suggestion."""
    return [
        action
        for card in answer["cards"]
        for suggestion in card.get("suggestions", ())
        for action in suggestion["actions"]
    ]
