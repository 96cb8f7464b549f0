"""Feedback on cards: kept before it is acknowledged (HL7 CDS Hooks 2.0, "Feedback")."""

from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.protocol.feedback import FeedbackItem
from cds.settings import Settings
from cds.storage.database import Store
from cds.storage.feedback_export import rows
from tests.cds.conftest import AT
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


def test_what_is_acknowledged_is_kept(client: TestClient, store: Store) -> None:
    assert client.post(URL, json={"feedback": [ACCEPTED, OVERRIDDEN]}).status_code == 200
    by_outcome = {row["outcome"]: row for row in rows(store) if row["service"] == "collar-order-select"}
    assert by_outcome["accepted"]["outcome_at"] == datetime(2026, 1, 31, 10, 5, tzinfo=UTC)
    assert by_outcome["overridden"]["reason_code"] == "fit-checked"
    assert by_outcome["overridden"]["received_at"] == AT


@pytest.mark.parametrize(
    ("path", "value", "field"),
    [
        ("feedback", [], "feedback"),
        ("feedback", ..., "feedback"),
        ("feedback.0.card", ..., "feedback[0].card"),
        ("feedback.0.outcome", "ignored", "feedback[0].outcome"),
        ("feedback.0.acceptedSuggestions", ..., "feedback[0]"),
        ("feedback.0.acceptedSuggestions", [{}], "feedback[0].acceptedSuggestions[0].id"),
        ("feedback.0.overrideReason", {"reason": {"code": "a\0b"}}, "feedback[0].overrideReason.reason.code"),
        ("feedback.0.outcomeTimestamp", ..., "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2026-02-30T10:00:00Z", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2026-02-03T10:00:00", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "0001-01-01T00:00:00+14:00", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "9999-12-31T23:59:59-14:00", "feedback[0].outcomeTimestamp"),
        # CDS Hooks 2.0, Feedback: an ISO timestamp of when the action was taken.
        ("feedback.0.outcomeTimestamp", 1764410400, "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", 1764410400000.5, "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "1764410400", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", True, "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2099-01-31T10:05:00Z", "feedback[0].outcomeTimestamp"),
        ("feedback.0.outcomeTimestamp", "2026-02-01T10:00:01Z", "feedback[0].outcomeTimestamp"),
    ],
)
def test_a_wrong_field_is_named_and_nothing_else(client: TestClient, path: str, value: Any, field: str) -> None:
    answer = client.post(URL, json=changed({"feedback": [ACCEPTED]}, path, value))
    assert answer.status_code == 400
    assert [where for issue in answer.json()["issue"] for where in issue["expression"]] == [field]
    assert "tuple" not in answer.text and "after validation" not in answer.text


def test_a_clock_that_is_ahead_by_a_day_costs_no_feedback(client: TestClient) -> None:
    sent = changed({"feedback": [ACCEPTED]}, "feedback.0.outcomeTimestamp", "2026-02-01T10:00:00Z")
    assert client.post(URL, json=sent).status_code == 200


@pytest.mark.parametrize(
    ("written", "at"),
    [
        ("2016-12-31T23:59:60Z", datetime(2016, 12, 31, 23, 59, 59, 999999, UTC)),
        ("2016-12-31T23:59:60.5Z", datetime(2016, 12, 31, 23, 59, 59, 999999, UTC)),
        ("2017-01-01T05:29:60+05:30", datetime(2016, 12, 31, 23, 59, 59, 999999, UTC)),
        ("2016-12-31T23:59:59.25Z", datetime(2016, 12, 31, 23, 59, 59, 250000, UTC)),
    ],
)
def test_a_leap_second_is_the_last_moment_of_its_minute(written: str, at: datetime) -> None:
    """FHIR R4, Data Types, instant: seconds are 00 to 60."""
    assert FeedbackItem.model_validate({**ACCEPTED, "outcomeTimestamp": written}).outcomeTimestamp == at


def test_a_leap_second_costs_no_feedback(client: TestClient) -> None:
    sent = changed({"feedback": [ACCEPTED, OVERRIDDEN]}, "feedback.1.outcomeTimestamp", "2016-12-31T23:59:60Z")
    assert client.post(URL, json=sent).status_code == 200
    at = client.post("/decisions", json={"facts": {}, "at": "2016-12-31T23:59:60Z"})
    assert at.status_code == 200 and at.json()["at"].startswith("2016-12-31T23:59:59.99")


@pytest.mark.parametrize(
    "written",
    [
        "2016-12-31T23:59:61Z",
        "2016-12-31T23:60:60Z",
        "2016-12-31T24:00:60Z",
        "2016-02-30T23:59:60Z",
        "2016-12-31T23:59:60",
    ],
)
def test_what_only_looks_like_a_leap_second_is_refused(client: TestClient, written: str) -> None:
    answer = client.post(URL, json=changed({"feedback": [ACCEPTED]}, "feedback.0.outcomeTimestamp", written))
    assert answer.status_code == 400
    assert [issue["expression"] for issue in answer.json()["issue"]] == [["feedback[0].outcomeTimestamp"]]


def test_each_wrong_statement_is_named_once(client: TestClient) -> None:
    wrong = [{**ACCEPTED, "outcome": "ignored"}, ACCEPTED, {**ACCEPTED, "outcomeTimestamp": 7}]
    issues = client.post(URL, json={"feedback": wrong}).json()["issue"]
    assert [issue["expression"] for issue in issues] == [["feedback[0].outcome"], ["feedback[2].outcomeTimestamp"]]
    (issue,) = client.post(URL, json={"feedback": []}).json()["issue"]
    assert issue["diagnostics"] == "feedback: must not be empty"
    (issue,) = client.post(URL, json={"feedback": [ACCEPTED] * 1001}).json()["issue"]
    assert issue["diagnostics"] == "feedback: must have at most 1000 members"


def test_an_unknown_service_is_not_found(client: TestClient) -> None:
    assert client.post("/cds-services/collar/feedback", json={"feedback": [ACCEPTED]}).status_code == 404


def test_feedback_that_cannot_be_kept_is_not_acknowledged(dead_store: str) -> None:
    with TestClient(create_app(Settings(store_url=dead_store))) as client:
        answer = client.post(URL, json={"feedback": [ACCEPTED]})
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0
