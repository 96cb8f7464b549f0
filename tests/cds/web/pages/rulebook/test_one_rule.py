"""The page of one rule: what clinicians made of its cards."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds.hook_calls import MEASURED, order_select
from tests.cds.web.pages.page_reader import PageReader

BROWSER = {"Accept": "text/html"}
RULES = "org.example.nuque.rules"
SERVICE = "/cds-services/collar-order-select"


def _feedback(card: dict[str, Any], **outcome: Any) -> dict[str, Any]:
    return {"feedback": [{"card": card["uuid"], "outcomeTimestamp": "2026-01-31T10:00:00Z", **outcome}]}


def test_a_rule_shows_how_its_cards_were_answered(tmp_path: Path) -> None:
    with TestClient(create_app(Settings(store_url=f"sqlite:///{tmp_path / 'own.sqlite3'}"))) as client:
        cards = client.post(SERVICE, json=order_select(*MEASURED)).json()["cards"]
        card = next(card for card in cards if card["suggestions"] and card["extension"][RULES])
        rule = card["extension"][RULES][0]

        def shown(rule: str) -> PageReader:
            return PageReader(client.get(f"/rules/{rule}", headers=BROWSER).text)

        assert shown(rule)["feedback"] == ["None yet."]
        reason = {"reason": {"code": "fit-checked", "system": card["overrideReasons"][0]["system"]}}
        answers = (
            _feedback(card, outcome="overridden", overrideReason=reason),
            _feedback(card, outcome="accepted", acceptedSuggestions=[{"id": card["suggestions"][0]["uuid"]}]),
        )
        for answer in answers:
            assert client.post(f"{SERVICE}/feedback", json=answer).status_code == 200
        page = shown(rule)
        assert page["feedback"] == ["1 accepted, 1 overridden."]
        assert page["reason"] == ["Another size was tried on and fits: 1"]
        assert shown("skin.braden.mild")["feedback"] == ["None yet."]


def test_where_the_store_cannot_be_read_the_page_says_so(dead_store: str) -> None:
    with TestClient(create_app(Settings(store_url=dead_store))) as client:
        page = PageReader(client.get("/rules/sizing.line.adult", headers=BROWSER).text)
        assert page["feedback"] == ["The store cannot be read now."] and page["when"]
