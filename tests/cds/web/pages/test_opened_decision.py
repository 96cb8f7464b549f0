"""The link of a card opens its very decision: the same content and words, or what changed since; to nobody else."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.security.caller import NOBODY, Caller, current_caller
from cds.settings import Settings
from tests.cds import ehr, hook_calls
from tests.cds.conftest import AT
from tests.cds.web.pages.page_reader import PageReader

HOOKS = {
    "collar-order-select": hook_calls.order_select,
    "collar-order-sign": hook_calls.order_sign,
    "collar-patient-view": hook_calls.patient_view,
    "collar-discharge": hook_calls.discharge,
}
UNUSABLE = hook_calls.observation("neck-height", 900, number=7)
RECORDED = (*hook_calls.MEASURED, hook_calls.observation("collar-in-place", True), UNUSABLE)


def _answer(client: TestClient, service: str = "collar-order-select") -> dict[str, Any]:
    answer = client.post(f"/cds-services/{service}", json=HOOKS[service](*RECORDED))
    assert answer.status_code == 200
    return answer.json()


def _sealed(answer: dict[str, Any]) -> str:
    (url,) = {link["url"] for card in answer["cards"] for link in card["links"]}
    return urlsplit(url).fragment.removeprefix("d=")


def _opened(client: TestClient, sealed: str, status: int = 200, **more: str) -> PageReader:
    answer = client.post("/bedside/link" if not more else "/bedside", data={"link": sealed, **more})
    assert answer.status_code == status
    return PageReader(answer.text)


def _posted(page: PageReader) -> dict[str, str]:
    """What a browser would post of the page."""
    posted = {
        given["name"] or "": given.get("value") or ""
        for tag, given in page.tags
        if tag == "input" and given.get("name") and (given.get("type") != "radio" or "checked" in given)
    }
    options: list[tuple[str, str]] = []
    name = ""
    for tag, given in page.tags:
        name = given.get("name") or "" if tag == "select" else name
        if tag == "option" and "selected" in given:
            options.append((name, given.get("value") or ""))
    # A unit's option has no value of its own; its own unit is what the page takes by default.
    return {**posted, **{name: value for name, value in options if not name.endswith(".unit")}}


@pytest.mark.parametrize("service", HOOKS)
def test_every_card_carries_an_absolute_link_and_its_source_an_address(client: TestClient, service: str) -> None:
    answer = _answer(client, service)
    assert answer["cards"]
    for card in answer["cards"]:
        (link,) = card["links"]
        assert link["type"] == "absolute" and link["label"]
        assert link["url"].startswith("http://127.0.0.1:8000/bedside#d=")
        assert card["source"]["url"] == "http://127.0.0.1:8000/rules"
    for path in ("/bedside", "/rules"):
        assert client.get(path, headers={"Accept": "text/html"}).status_code == 200


def test_a_measure_stands_in_its_field_as_people_write_it(client: TestClient) -> None:
    posted = _posted(_opened(client, _sealed(_answer(client))))
    assert (posted["neck_height_mm"], posted["neck_circumference_mm"]) == ("66", "380")


def test_a_reckoned_value_stands_in_its_field_as_people_say_it_and_is_decided_as_recorded(client: TestClient) -> None:
    sealed = _sealed(_answer(client))
    page = _opened(client, sealed)
    posted = _posted(page)
    # Born on 2 May 1984, decided on 31 January 2026.
    assert posted["age_years"] == "41" and "the same content" in page["opened"][0]
    del posted["link"]
    assert "the same content" in _opened(client, sealed, **posted)["opened"][0]


def test_who_comes_from_a_card_finds_the_answer_before_the_fields(client: TestClient) -> None:
    """On a narrow screen, where one stands below the other; Enter in a field still shows the answer and prints nothing."""
    sealed = _sealed(_answer(client))
    text = client.post("/bedside/link", data={"link": sealed}).text
    assert -1 < text.index('href="#known"') < text.index('id="answer"') < text.index('id="known"')
    typed = client.post("/bedside", data={"age_years": "41"}).text
    assert -1 < typed.index('id="known"') < typed.index('id="answer"') and 'href="#known"' not in typed
    for page in (text, typed):
        first = next(given for tag, given in PageReader(page).tags if tag == "button")
        assert "formaction" not in first


def test_an_opened_group_shows_what_is_recorded_and_folds_the_rest(client: TestClient) -> None:
    text = client.post("/bedside", data={"spine_precautions": "true"}).text
    _, _, group = text.partition("(1 recorded)</span></summary>")
    recorded, _, others = group.partition("<details><summary>")
    assert 'id="f-spine_precautions"' in recorded and recorded.count('class="field"') == 1
    number, _, fields = others.partition(" not recorded</summary>")
    assert int(number) == fields.partition('class="group"')[0].count('class="field"') > 5


@pytest.mark.parametrize("service", HOOKS)
def test_the_page_shows_the_decision_of_the_card(client: TestClient, service: str) -> None:
    answer = _answer(client, service)
    decision = answer["extension"]["org.example.nuque.decision"]
    page = _opened(client, _sealed(answer))
    (said,) = page["opened"]
    assert decision["ruleset"]["hash"][:12] in said and "the same content" in said
    assert page["code"] == [decision["size_class"]["code"]]
    assert sorted(page["title"]) == sorted(task["title"] for task in decision["tasks"])
    cautions = [one["text"] for one in decision.get("cautions", []) if one["severity"] != "critical"]
    assert page["caution"] == [" ".join(text.split()) for text in cautions]
    assert len(page["record"]) == len(decision["facts"])
    assert any("Observation/neck-circumference-1, 2026-01-31 08:00 UTC" in one for one in page["record"])


def test_what_was_not_used_is_listed_behind_the_link(client: TestClient) -> None:
    answer = _answer(client)
    (refused,) = answer["extension"]["org.example.nuque.decision"]["not_used"]
    (listed,) = _opened(client, _sealed(answer))["not-used"]
    assert refused["value"] in listed and refused["reference"] in listed and "Neck height" in listed


def test_a_yes_that_was_not_used_is_said_as_yes(client: TestClient) -> None:
    stale = hook_calls.observation("collar-in-place", True, time="2026-01-01T08:00:00Z")
    answer = client.post("/cds-services/collar-order-select", json=hook_calls.order_select(*hook_calls.MEASURED, stale))
    (listed,) = _opened(client, _sealed(answer.json()))["not-used"]
    assert "Collar in place: yes. Stale" in listed


def test_posted_again_unchanged_it_stays_that_decision_and_a_changed_value_ends_it(client: TestClient) -> None:
    sealed = _sealed(_answer(client))
    posted = _posted(_opened(client, sealed))
    assert posted["link"] == sealed
    del posted["link"]
    assert "the same content" in _opened(client, sealed, **posted)["opened"][0]
    changed = _opened(client, sealed, **{**posted, "neck_height_mm": "80"})
    assert changed["opened"][0].startswith("Changed here") and changed["code"] == ["adult H4 G2"]
    # The other records keep their names.
    assert any("Observation/neck-circumference-1" in one for one in changed["record"])
    assert any("typed here" in one for one in changed["record"])


def test_where_the_rules_changed_since_the_page_says_what_they_say_otherwise(store_url: str, tmp_path: Path) -> None:
    overlay = tmp_path / "overlay.yaml"
    overlay.write_text(
        "site: {name: Hollowmere (invented), owner: nobody}\n"
        "parameters:\n  height_edge_h3_mm: {value: 70, because: our shelf begins there}\n",
        encoding="utf-8",
    )
    before, after = (
        TestClient(create_app(Settings(pseudonym_key="k" * 32, overlays=overlays), clock=lambda: AT))
        for overlays in ((), (overlay,))
    )
    sealed = _sealed(_answer(before))
    (said,) = _opened(after, sealed)["opened"]
    assert "The rules changed since" in said and "Size: " in said
    assert "it was adult, height 60 to under 75 mm" in said or "height 60 to" in said.partition("it was")[2]


@pytest.mark.parametrize("sealed", ["", "no link", "AAAA", "A" * 400])
def test_what_is_no_link_opens_an_empty_form(client: TestClient, sealed: str) -> None:
    page = _opened(client, sealed, status=410 if sealed else 200)
    assert page["record"] == [] and len(page["link-problem"]) == bool(sealed)


def test_an_expired_link_opens_an_empty_form_and_says_so(store_url: str) -> None:
    now = AT
    client = TestClient(create_app(Settings(), clock=lambda: now))
    sealed = _sealed(_answer(client))
    now = AT + timedelta(hours=13)
    assert "expired" in _opened(client, sealed, status=410)["link-problem"][0]


def test_a_session_of_another_patient_does_not_open_it(client: TestClient) -> None:
    from cds.operation_outcome import RefusedCall
    from cds.web.pages.opened_decision import opened

    service = client.app.state.service
    sealed = _sealed(_answer(client))
    for patient, opens in (("p1", True), ("p2", False), (None, True)):
        token = current_caller.set(Caller("smart", patient=patient) if patient else NOBODY)
        try:
            if opens:
                assert opened(service, {"link": sealed}).decision is not None
            else:
                with pytest.raises(RefusedCall, match="another patient"):
                    opened(service, {"link": sealed})
        finally:
            current_caller.reset(token)


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[TestClient]:
    settings = Settings(
        trust="jwt",
        clients=ehr.clients_file(tmp_path),
        audiences=(ehr.BASE,),
        public_url=ehr.BASE,
        pseudonym_key="k" * 32,
        store_url=f"sqlite:///{tmp_path / 'own.sqlite3'}",
    )
    yield TestClient(create_app(settings, clock=lambda: AT))


def test_with_tokens_no_link_opens_outside_a_session(client: TestClient, guarded: TestClient) -> None:
    sealed = _sealed(_answer(client))
    assert guarded.post("/bedside/link", data={"link": sealed}).status_code == 403


def test_the_link_stays_short_enough_for_an_address(client: TestClient) -> None:
    answer = _answer(client)
    size = len(answer["cards"][0]["links"][0]["url"])
    # Common practice, no source: addresses up to about 8,000 characters pass everywhere.
    assert size < 4000, size
    assert "neck" not in json.dumps([card["links"] for card in answer["cards"]])
