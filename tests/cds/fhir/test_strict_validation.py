"""The setting ``strict_validation``: what we would send is checked against the full FHIR model first."""

import json
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

import cds.hooks.services.order_select as order_select_module
from cds.bootstrap.app import create_app
from cds.protocol.response import Action
from cds.settings import Settings
from tests.cds.conftest import AT
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.hooks.cds_hooks_standard import check_response

URL = "/cds-services/collar-order-select"


def test_what_is_sound_is_sent() -> None:
    with TestClient(create_app(Settings(strict_validation=True), clock=lambda: AT)) as client:
        answer = client.post(URL, json=order_select(*MEASURED))
    assert answer.status_code == 200
    check_response(answer.json())


def test_what_is_not_sound_is_never_sent(monkeypatch: pytest.MonkeyPatch, logged: Path) -> None:
    unsound = Action(type="create", description="x", resource={"resourceType": "ServiceRequest", "colour": "red"})
    monkeypatch.setattr(order_select_module, "whole_order_set", lambda *given: (unsound,))
    with TestClient(create_app(Settings(strict_validation=True), clock=lambda: AT)) as client:
        answer = client.post(URL, json=order_select(*MEASURED))
    assert answer.status_code == 500
    assert "ServiceRequest" not in answer.text
    failures = [json.loads(line) for line in logged.read_text().splitlines() if "call failed" in line]
    assert [line["error"] for line in failures if line["request"] == answer.headers["Nuque-Request"]] == [
        "ResourceError"
    ]
