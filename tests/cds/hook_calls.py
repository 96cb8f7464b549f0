"""Hook requests for tests, and their answers: a patient of an invented hospital with a collar order, easy to change."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi.testclient import TestClient

from cds.defaults import DEFAULT_BASE
from rules.model.ruleset import Ruleset
from tests.cds.hooks.cds_hooks_standard import check_response

FACTS = f"{DEFAULT_BASE}/CodeSystem/facts"
VALUES = f"{DEFAULT_BASE}/CodeSystem/fact-values"
ORDERS = f"{DEFAULT_BASE}/CodeSystem/orders"
INSTANCE = "d1577c69-dfbe-44ad-ba6d-3e05e953b2ea"

Json = dict[str, Any]

COLLAR_ORDER: Json = {
    "resourceType": "ServiceRequest",
    "id": "order-1",
    "status": "draft",
    "intent": "order",
    "subject": {"reference": "Patient/p1"},
    "code": {"coding": [{"system": ORDERS, "code": "neck-immobilisation"}], "text": "Rigid neck collar"},
}
OTHER_ORDER: Json = {
    **COLLAR_ORDER,
    "id": "order-2",
    "code": {"coding": [{"system": "http://loinc.org", "code": "58410-2"}], "text": "Blood count"},
}


def patient(birth_date: str | None = "1984-05-02") -> Json:
    """The Patient resource."""
    made: Json = {"resourceType": "Patient", "id": "p1", "gender": "male"}
    return made if birth_date is None else {**made, "birthDate": birth_date}


def observation(name: str, value: Any, *, number: int = 1, time: str = "2026-01-31T08:00:00Z", **more: Any) -> Json:
    """An Observation by the project's own code ``name``: a number in mm, a boolean, or a code."""
    made: Json = {
        "resourceType": "Observation",
        "id": f"{name}-{number}",
        "status": "final",
        "subject": {"reference": "Patient/p1"},
        "code": {"coding": [{"system": FACTS, "code": name}]},
        "effectiveDateTime": time,
    }
    if isinstance(value, bool):
        made["valueBoolean"] = value
    elif isinstance(value, str):
        made["valueCodeableConcept"] = {"coding": [{"system": VALUES, "code": value}]}
    else:
        made["valueQuantity"] = {"value": value, "system": "http://unitsofmeasure.org", "code": "mm", "unit": "mm"}
    return {**made, **more}


MEASURED = (
    observation("neck-height", 66),
    observation("neck-circumference", 380),
    observation("head-position", "neutral"),
    observation("bed-rest", False),
)


def bundle(*resources: Any) -> Json:
    """A searchset with ``resources``."""
    return {"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": resource} for resource in resources]}


def order_select(
    *observations: Json,
    drafts: tuple[Json, ...] = (COLLAR_ORDER,),
    selections: tuple[str, ...] | None = None,
    **more: Any,
) -> Json:
    """A call of order-select; by default the first draft is the one selected."""
    first = f"{drafts[0]['resourceType']}/{drafts[0]['id']}"
    context = {"selections": list(selections or (first,)), "draftOrders": bundle(*drafts)}
    return _call("order-select", context, observations, more)


def order_sign(*observations: Json, drafts: tuple[Json, ...] = (COLLAR_ORDER,), **more: Any) -> Json:
    """A call of order-sign."""
    return _call("order-sign", {"draftOrders": bundle(*drafts)}, observations, more)


def patient_view(*observations: Json, **more: Any) -> Json:
    """A call of patient-view."""
    return _call("patient-view", {}, observations, more)


def discharge(*observations: Json, **more: Any) -> Json:
    """A call of encounter-discharge."""
    return _call("encounter-discharge", {}, observations, more)


def _call(hook: str, context: Json, observations: tuple[Json, ...], more: Mapping[str, Any]) -> Json:
    prefetch = {
        "patient": patient(),
        "encounter": {
            "resourceType": "Encounter",
            "id": "e1",
            "status": "in-progress",
            "subject": {"reference": "Patient/p1"},
        },
        "observations": bundle(*observations),
        "observations2": None,
        "conditions": None,
        "procedures": None,
        "devices": None,
        "deviceUses": None,
        "fitChecks": None,
        "orders": None,
        "deviceOrders": None,
        "plans": None,
    }
    return {
        "hook": hook,
        "hookInstance": INSTANCE,
        "context": {"userId": "Practitioner/dr1", "patientId": "p1", "encounterId": "e1", **context},
        "prefetch": prefetch,
        **more,
    }


def changed(call: Json, path: str, value: Any) -> Json:
    """``call`` with ``value`` at ``path`` (``context.draftOrders.entry.0``); ``...`` as the value takes the element out."""
    *above, last = path.split(".")
    copy: Any = _copied(call)
    place = copy
    for step in above:
        place = place[int(step)] if isinstance(place, list) else place[step]
    key: Any = int(last) if isinstance(place, list) else last
    if value is ...:
        del place[key]
    else:
        place[key] = value
    assert isinstance(copy, dict)
    return copy


def _copied(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copied(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_copied(item) for item in value]
    return value


def recorded(ruleset: Ruleset, facts: Mapping[str, Any]) -> tuple[Json, ...]:
    """An Observation of the moment for each of ``facts``, whatever its type and unit."""
    made = []
    for name, value in facts.items():
        fact = ruleset.vocabulary[name]
        written = observation(fact.code, value.replace("_", "-") if isinstance(value, str) else value)
        if fact.unit is not None:
            written["valueQuantity"] = {"value": value, "system": "http://unitsofmeasure.org", "code": fact.unit}
        elif fact.numeric:
            written["valueQuantity"] = {"value": value, "system": "http://unitsofmeasure.org", "code": "1"}
        made.append({**written, "id": name.replace("_", "-"), "effectiveDateTime": "2026-01-31T10:00:00Z"})
    return tuple(made)


def answer_of(client: TestClient, service: str, call: Json) -> Json:
    """What ``service`` answers to ``call``, which it takes, in the form that the standard asks for."""
    answer = client.post(f"/cds-services/{service}", json=call)
    assert answer.status_code == 200, answer.text
    check_response(answer.json())
    found: Json = answer.json()
    return found
