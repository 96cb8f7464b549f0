"""The real server: one whole hook conversation over a real connection."""

from __future__ import annotations

import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest

from cds.settings import StoreSettings
from cds.storage.database import Store
from cds.storage.feedback_export import rows
from tests.cds.hook_calls import MEASURED, OTHER_ORDER, order_select
from tests.cds.hooks.cds_hooks_standard import check_discovery, check_response
from tests.cds.live_service import NUQUE, PATIENCE_SECONDS, ROOT, running

pytestmark = pytest.mark.slow


def test_a_whole_conversation(tmp_path: Path) -> None:
    kept = f"sqlite:///{tmp_path / 'store.sqlite3'}"
    with running(NUQUE_STORE_URL=kept) as live, httpx.Client(base_url=live.url, timeout=PATIENCE_SECONDS) as client:
        assert client.get("/health/ready").json()["status"] == "ready"
        discovery = client.get("/cds-services").json()
        check_discovery(discovery)
        (service,) = [s["id"] for s in discovery["services"] if s["hook"] == "order-select"]

        assert client.post(f"/cds-services/{service}", json=order_select(drafts=(OTHER_ORDER,))).json() == {"cards": []}
        answer = client.post(f"/cds-services/{service}", json=order_select(*MEASURED))
        assert answer.headers["Nuque-Ruleset"].startswith("rigid-neck-collar/")
        check_response(answer.json())
        card = answer.json()["cards"][0]

        item = {
            "card": card["uuid"],
            "outcome": "accepted",
            "acceptedSuggestions": [{"id": card["suggestions"][0]["uuid"]}],
            "outcomeTimestamp": "2026-01-31T10:05:00Z",
        }
        assert client.post(f"/cds-services/{service}/feedback", json={"feedback": [item]}).status_code == 200
        with Store(StoreSettings(store_url=kept)) as store:
            (row,) = rows(store)
        assert (row["known"], row["rules"]) == (True, sorted(card["extension"]["org.example.nuque.rules"]))

        with ThreadPoolExecutor(8) as threads:
            calls = [
                threads.submit(client.post, f"/cds-services/{service}", json=order_select(*MEASURED)) for _ in range(24)
            ]
        assert {call.result().json()["cards"][0]["summary"] for call in calls} == {card["summary"]}


def test_a_setting_that_cannot_be_used_is_named_and_nothing_starts() -> None:
    command = [NUQUE, "serve", "--port", "0"]
    ended = subprocess.run(
        command,
        cwd=ROOT,
        env={"PATH": "", "NUQUE_CANONICAL_BASE": "nowhere"},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ended.returncode == 2
    assert "NUQUE_CANONICAL_BASE" in ended.stderr
