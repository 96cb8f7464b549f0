"""Published content over HTTP: what cards and drafts point to can be looked up."""

from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.fhir.publishing.artifacts import artefacts
from rules.loading.loader import load_ruleset
from tests.cds.hook_calls import MEASURED, order_select

BASE = "https://nuque.example.org/fhir/"


def codings(value: Any) -> set[tuple[str, str]]:
    """Every coding of our own systems in ``value``."""
    found: set[tuple[str, str]] = set()
    if isinstance(value, dict):
        if str(value.get("system", "")).startswith(BASE) and "code" in value:
            found.add((value["system"], value["code"]))
        for item in value.values():
            found |= codings(item)
    elif isinstance(value, list):
        for item in value:
            found |= codings(item)
    return found


def test_everything_published_is_served_under_its_canonical_address(client: TestClient) -> None:
    every = artefacts(load_ruleset())
    assert {kind for kind, _ in every} >= {"PlanDefinition", "ActivityDefinition", "CodeSystem", "Questionnaire"}
    for (resource_type, name), published in every.items():
        answer = client.get(f"/fhir/{resource_type}/{name}")
        assert answer.headers["content-type"] == "application/fhir+json"
        assert answer.json() == published
        assert published["url"] == f"{BASE}{resource_type}/{name}"


@pytest.mark.parametrize("patient", [MEASURED, ()], ids=["measured", "unmeasured"])
def test_every_code_of_ours_on_a_card_can_be_looked_up(client: TestClient, patient: tuple[Any, ...]) -> None:
    response = client.post("/cds-services/collar-order-select", json=order_select(*patient)).json()
    used = codings(response["cards"])
    assert used
    for system, code in used:
        published = client.get("/fhir/" + system.removeprefix(BASE))
        assert published.status_code == 200, system
        assert code in {concept["code"] for concept in published.json()["concept"]}, (system, code)


def test_what_is_not_published_is_not_found(client: TestClient) -> None:
    assert client.get("/fhir/CodeSystem/colours").status_code == 404
