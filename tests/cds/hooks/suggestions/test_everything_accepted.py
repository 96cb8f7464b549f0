"""Every suggestion of every hook is accepted for every invented patient, and all hooks are asked again.

Then nothing is suggested again, nothing contradicts what was accepted, and what is dangerous is still said: within this
process, and through nginx.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from tests.cds.faults.nginx import nginx
from tests.cds.hook_calls import bundle
from tests.cds.hooks.suggestions.accepting_record import Json, Record, offered
from tests.cds.live_service import PATIENCE_SECONDS, serving
from tests.demo.reading_load import HOOKS, INDEX, call

SELECT, SIGN, VIEW, DISCHARGE = HOOKS
LOOK = ("warning", "Before leaving, look whether a collar is on: one is ordered, and none is recorded as worn")
MOMENTS = {entry["file"]: datetime.fromisoformat(entry["at"]) for entry in INDEX}
NOW = [next(iter(MOMENTS.values()))]
"""The moment of every decision here; the file that is asked about sets it."""


@pytest.fixture(scope="module")
def hospital() -> Iterator[TestClient]:
    with TestClient(create_app(Settings(), clock=lambda: NOW[0])) as client:
        yield client


@dataclass
class Chart:
    """One invented patient in an EHR that asks, accepts and asks again."""

    client: Any
    file: str

    def __post_init__(self) -> None:
        NOW[0] = MOMENTS[self.file]
        self.templates = self.client.get("/cds-services").json()["services"][0]["prefetch"]
        self.record = Record(self._call(SELECT))

    def ask(self, service: str) -> Json:
        """The answer of ``service`` now; an order that was ended is drafted no more."""
        sent = copy.deepcopy(self._call(service))
        if hasattr(self, "record"):
            sent["prefetch"] |= self.record.prefetch()
        if "draftOrders" in sent["context"]:
            draft = self._draft()
            if draft is None:
                return {"cards": []}
            sent["context"]["draftOrders"] = bundle(draft or sent["context"]["draftOrders"]["entry"][0]["resource"])
        answer = self.client.post(f"/cds-services/{service}", json=sent)
        assert answer.status_code == 200, answer.text
        found: Json = answer.json()
        return found

    def _call(self, service: str) -> Json:
        return call(service, self.file, self.templates)

    def _draft(self) -> Json | None:
        """The order as the clinician has it: as corrected, as first drafted (empty), or ended (None)."""
        corrected = [each for each in self.record.resources if each["id"] == "draft-collar"]
        if not corrected:
            return {}
        return {**corrected[0], "status": "draft"} if corrected[0]["status"] == "active" else None


def sentences(answer: Json) -> set[str]:
    """What the cards say in bold: each finding and each danger by itself."""
    return {part for card in answer["cards"] for part in card["detail"].split("**")[1::2]}


def check_patient(client: Any, file: str) -> None:
    """Raise where something is suggested again, or contradicts, or is no longer said."""
    chart = Chart(client, file)
    first = {service: chart.ask(service) for service in HOOKS}
    for service in HOOKS:
        chart.record.accept(offered(chart.ask(service)))
    again = {service: chart.ask(service) for service in HOOKS}
    assert {service: [each["description"] for each in offered(answer)] for service, answer in again.items()} == {
        service: [] for service in HOOKS
    }
    decision = first[SELECT]["extension"]["org.example.nuque.decision"]
    if again[SELECT]["cards"]:
        check_signing(first[SIGN], again[SIGN], decision)
        assert warned(again[SELECT]) == warned(first[SELECT])
        # What was accepted is an order, and nobody has recorded yet that the collar is on.
        assert warned(again[DISCHARGE]) - {LOOK} == warned(first[DISCHARGE])
    assert warned(first[VIEW]) <= warned(again[VIEW])


def warned(answer: Json) -> set[tuple[str, str]]:
    """Each card above an information, by its head."""
    return {(card["indicator"], card["summary"]) for card in answer["cards"] if card["indicator"] != "info"}


def check_signing(first: Json, again: Json, decision: Json) -> None:
    """At signing only what speaks against any collar, or any size, is said again: that holds, whatever was accepted."""
    holding = [caution["text"] for caution in decision.get("cautions", ()) if caution.get("leads")]
    holding += [f"Do not size: {hold['text']}" for hold in decision.get("holds", ()) if hold["kind"] == "do_not_size"]
    said = " ".join([*sentences(again), *(card["summary"] for card in again["cards"])]).replace("\\", "")
    assert [text for text in holding if text[:60] not in said] == []
    assert sentences(again) <= sentences(first), "nothing new is found in what was accepted"
    assured = "size_class" in decision and decision["axes"]["line"]["confidence"] != "assumed"
    if assured and not holding:
        assert again["cards"] == []


@pytest.mark.parametrize("file", MOMENTS)
def test_what_was_accepted_stands_and_what_is_dangerous_is_still_said(hospital: TestClient, file: str) -> None:
    check_patient(hospital, file)


@pytest.mark.parametrize(
    "file", ["14_flexion_without_room.json", "25_distraction_suspected.json", "26_airway_first.json", "27_halo.json"]
)
def test_a_danger_is_said_at_signing_after_everything_was_accepted(hospital: TestClient, file: str) -> None:
    """So that the check above looks at something: these patients have one that speaks against a collar or a size."""
    chart = Chart(hospital, file)
    chart.record.accept(offered(chart.ask(SELECT)))
    chart.record.accept(offered(chart.ask(SIGN)))
    (card,) = chart.ask(SIGN)["cards"]
    assert card["indicator"] == "critical"
    assert "suggestions" not in card


@pytest.mark.slow
@pytest.mark.xdist_group("faults")
def test_it_is_so_through_nginx(tmp_path: Path) -> None:
    assert MOMENTS
    with (
        serving(create_app(Settings(), clock=lambda: NOW[0])) as upstream,
        nginx(upstream, tmp_path / "nginx") as proxy,
        httpx.Client(base_url=proxy, timeout=PATIENCE_SECONDS) as client,
    ):
        for file in MOMENTS:
            check_patient(client, file)
