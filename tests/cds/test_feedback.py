"""Feedback on cards: kept before it is acknowledged (HL7 CDS Hooks 2.0, "Feedback")."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.app import create_app
from cds.feedback import Feedback, FeedbackFile, NotKept
from cds.settings import Settings
from tests.cds.hook_calls import changed

URL = "/cds-services/collar-order-select/feedback"
ACCEPTED = {
    "card": "4e0a3a1e-3283-4575-ab82-028d55fe2719",
    "outcome": "accepted",
    "acceptedSuggestions": [{"id": "e56e1945-20b3-4393-8503-a1a20fd73152"}],
    "outcomeTimestamp": "2026-01-31T10:05:00Z",
}
OVERRIDDEN = {
    "card": "a-card-that-was-never-issued",
    "outcome": "overridden",
    "overrideReason": {
        "reason": {"system": "https://nuque.example.org/fhir/CodeSystem/override-reasons", "code": "fit-checked"},
        "userComment": "Fits one step lower.",
    },
    "outcomeTimestamp": "2026-01-31T10:06:00+02:00",
}


def test_what_is_acknowledged_is_kept(client: TestClient, feedback_file: Path) -> None:
    assert client.post(URL, json={"feedback": [ACCEPTED, OVERRIDDEN]}).status_code == 200
    *_, first, second = map(json.loads, feedback_file.read_text().splitlines())
    assert (first["service"], first["card"], first["outcome"]) == ("collar-order-select", ACCEPTED["card"], "accepted")
    assert second["overrideReason"]["reason"]["code"] == "fit-checked"
    assert second["received"] == "2026-01-31T10:00:00+00:00"


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("feedback", [], "feedback"),
        ("feedback", ..., "feedback"),
        ("feedback.0.card", ..., "feedback[0].card"),
        ("feedback.0.outcome", "ignored", "feedback[0].outcome"),
        ("feedback.0.acceptedSuggestions", ..., "feedback[0]"),
        ("feedback.0.acceptedSuggestions", [{}], "feedback[0].acceptedSuggestions[0].id"),
        ("feedback.0.outcomeTimestamp", ..., "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2026-02-30T10:00:00Z", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2026-02-03T10:00:00", "feedback[0].outcomeTimestamp"),
    ],
)
def test_a_wrong_field_is_named(client: TestClient, path: str, value: Any, field: str) -> None:
    answer = client.post(URL, json=changed({"feedback": [ACCEPTED]}, path, value))
    assert answer.status_code == 400
    assert field in [where for issue in answer.json()["issue"] for where in issue["expression"]]


def test_an_unknown_service_is_not_found(client: TestClient) -> None:
    assert client.post("/cds-services/collar/feedback", json={"feedback": [ACCEPTED]}).status_code == 404


def test_where_nothing_keeps_feedback_it_is_not_acknowledged() -> None:
    with TestClient(create_app(Settings())) as client:
        answer = client.post(URL, json={"feedback": [ACCEPTED]})
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0
    assert "NUQUE_FEEDBACK_FILE" in answer.json()["issue"][0]["diagnostics"]


def test_a_file_that_cannot_be_written_keeps_nothing(tmp_path: Path) -> None:
    sink = FeedbackFile(tmp_path / "no" / "such" / "folder")
    with pytest.raises(NotKept, match="could not be written"):
        sink.keep("x", Feedback.model_validate({"feedback": [ACCEPTED]}).feedback, datetime(2026, 1, 31, tzinfo=UTC))
