"""Calls of FHIR operations for tests: Parameters, and the ones that most calls hold."""

from typing import Any

Json = dict[str, Any]


def parameters(*entries: Json, at: str | None = None) -> Json:
    """A Parameters resource of ``entries``; with ``at`` the Library's parameter of the moment among them."""
    moment = {"resourceType": "Parameters", "parameter": [{"name": "At", "valueDateTime": at}]}
    more = [{"name": "parameters", "resource": moment}] if at is not None else []
    return {"resourceType": "Parameters", "parameter": [*entries, *more]}


def subject(identity: str) -> Json:
    """The patient, as operations on rules take it."""
    return {"name": "subject", "valueString": f"Patient/{identity}"}


def data(resource: Json) -> Json:
    """The records."""
    return {"name": "data", "resource": resource}
