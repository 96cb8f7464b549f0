"""Live and ready."""

from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings


def test_live_and_ready(client: TestClient) -> None:
    assert client.get("/health/live").json() == {"status": "live"}
    ready = client.get("/health/ready")
    assert (ready.status_code, ready.json()["status"]) == (200, "ready")
    assert set(ready.json()["ruleset"]) == {"name", "version", "hash"}


def test_what_is_not_ready_is_said() -> None:
    app = create_app(Settings())
    app.state.service.readiness["store"] = lambda: "cannot be reached"
    with TestClient(app) as client:
        ready = client.get("/health/ready")
    assert ready.status_code == 503
    assert ready.json()["failing"] == {"store": "cannot be reached"}
