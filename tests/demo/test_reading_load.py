"""Ten seconds: what is read of each invented patient keeps to its limit, and says the gravest first."""

from __future__ import annotations

from urllib.parse import urldefrag

import pytest

from cds.protocol.request import FULL_TEXT
from tests.demo.reading_load import HOOKS, INDEX, Json, Read, all_decided, all_read, demo_table, table
from tests.shipped_content import RULESET

LIMITS = {"collar-order-select": 1000, "collar-patient-view": 900, "collar-discharge": 1500, "collar-order-sign": 1600}
"""Characters of detail on a card for an ordinary patient."""
LONGEST = 1600
"""The same for everybody else."""
SEVERITIES = ["critical", "warning", "info"]


def _reads(service: str) -> list[Read]:
    found = [read for read in all_read(FULL_TEXT) if read.service == service]
    assert len(found) == len(INDEX)
    return found


def _cards() -> list[tuple[Read, Json]]:
    found = [(read, card) for read in all_read(FULL_TEXT) for card in read.cards]
    assert {read.service for read, _ in found} == set(HOOKS)
    return found


def test_it_is_said_how_many_patients_are_ordinary() -> None:
    """How many exactly is printed by ``python -m tests.demo.reading_load``."""
    ordinary = sum(read.is_ordinary for read in _reads("collar-order-select"))
    assert 20 <= ordinary < len(INDEX)
    assert f"of the {ordinary} ordinary" in table()


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


@pytest.mark.parametrize(("service", "limit"), LIMITS.items())
def test_a_card_keeps_to_its_limit(service: str, limit: int) -> None:
    too_long = [
        (read.file, len(card["detail"]), card["summary"])
        for read in _reads(service)
        for card in read.cards
        if len(card["detail"]) > (limit if read.is_ordinary else LONGEST)
    ]
    assert too_long == []


def test_every_critical_caution_is_said_in_full() -> None:
    """In whole or, where it fits a headline, there; a card that gives no size comes with its own."""
    checked = 0
    for read in all_read(FULL_TEXT):
        if not read.cards:
            continue
        said = "\n".join(f"{card['summary']}\n{card['detail']}" for card in read.cards).replace("\\", "")
        for caution in read.decision.get("cautions", ()):
            if caution["severity"] == "critical":
                checked += 1
                assert caution["text"] in said, (read.service, read.file, caution["text"])
    assert checked > 50


def test_what_is_critical_stands_together_and_before_the_size_and_the_questions() -> None:
    checked = 0
    for read, card in _cards():
        detail = card["detail"].replace("\\", "")
        criticals = [one["text"] for one in read.decision.get("cautions", ()) if one["severity"] == "critical"]
        places = [detail.index(text) for text in criticals if text in detail]
        if card["indicator"] == "critical" and places:
            between = detail[: max(places)]
            checked += len(places) > 1
            for later in ("Size, for later", "On the shelf", "Find out", "**Who**", "Why this is critical"):
                assert later not in between, (read.service, read.file, later)
    assert checked > 20


def test_in_an_emergency_the_size_stands_last_and_no_item_is_named() -> None:
    for read in _reads("collar-order-select"):
        (first, *_) = read.cards
        if "Size, for later" in first["detail"]:
            assert first["detail"].index("**Who**") < first["detail"].index("Size, for later")
            assert "On the shelf" not in first["detail"]
    found = [read.file for read in _reads("collar-order-select") if "Size, for later" in read.cards[0]["detail"]]
    assert "46_trouble_in_the_collar.json" in found


def test_what_is_not_shown_says_where_it_stands() -> None:
    """Beside a card that links to its decision, nothing is left out without saying so."""
    told = [card for _, card in _cards() if "More at the link: " in card["detail"]]
    assert len(told) > 40 and all(card["links"] for card in told)
    assert not any("Not shown here" in card["detail"] for _, card in _cards())


def test_what_a_heading_says_its_lines_do_not_say_again() -> None:
    others = [card["detail"] for _, card in _cards() if "**If it does not fit**" in card["detail"]]
    assert others and not any("if the first does not fit" in detail for detail in others)


def test_no_headline_counts_twice_what_stands_below() -> None:
    counted = [card["summary"] for _, card in _cards() if " more)" in card["summary"]]
    assert len(counted) > 20
    assert [summary for summary in counted if summary.count(" more)") > 1] == []


def test_a_reason_to_override_can_be_meant_of_the_card() -> None:
    sizes = {"measured-otherwise", "fit-checked", "not-in-stock"}
    topics = set()
    for read, card in _cards():
        reasons = {reason["code"] for reason in card.get("overrideReasons", ())}
        topic = card["source"]["topic"]["code"]
        topics.add(topic)
        assert not reasons or {"data-wrong", "specialist-advice", "other"} <= reasons
        if topic not in ("size", "order"):
            assert not reasons & sizes, (read.service, read.file)
    assert {"size", "order", "caution", "due", "handover"} <= topics


def test_a_card_without_a_size_does_not_say_who_puts_the_collar_on() -> None:
    unsized = [card for _, card in _cards() if card["summary"].startswith(("No size yet", "Do not size"))]
    assert unsized and not any("Put the collar on**" in card["detail"] for card in unsized)


def test_the_gravest_card_comes_first() -> None:
    assert any(len(read.cards) > 1 for read in all_read(FULL_TEXT))
    for read in all_read(FULL_TEXT):
        found = [SEVERITIES.index(card["indicator"]) for card in read.cards]
        assert found == sorted(found), (read.service, read.file)


def test_no_detail_says_its_summary_again() -> None:
    found = _cards()
    assert found
    for read, card in found:
        said = card["summary"].split(" (and ")[0].removeprefix("Do not size: ").removeprefix("No size yet: ")
        assert said not in card["detail"].replace("\\", ""), (read.service, read.file)


def test_no_card_names_a_rule_a_source_or_a_parameter() -> None:
    found = _cards()
    assert found
    for read, card in found:
        for names in (RULESET.rules, RULESET.sources, RULESET.parameters):
            assert [name for name in names if name in card["detail"]] == [], (read.service, read.file)


def test_what_was_not_used_is_counted_and_listed_behind() -> None:
    refused = [read for read in _reads("collar-order-select") if read.decision.get("not_used")]
    assert len(refused) == 4
    for read in refused:
        (card,) = (card for card in read.cards if card["source"]["topic"]["code"] == "size")
        number = len(read.decision["not_used"])
        assert f"Not used: {number} record" in card["detail"]
        behind = card["extension"][FULL_TEXT]
        assert all(item["reference"] in behind for item in read.decision["not_used"])


def test_every_card_leads_to_its_decision_and_no_address_that_a_server_hears_tells_of_the_patient() -> None:
    found = _cards()
    assert found
    for _, card in found:
        assert card["source"]["url"] == "https://nuque.hollowmere.example/rules"
        (link,) = card["links"]
        heard, sealed = urldefrag(link["url"])
        assert heard == "https://nuque.hollowmere.example/bedside"
        assert sealed


def test_the_table_tells_every_hook_and_command() -> None:
    rows = [row.split("  ")[0] for row in table().splitlines()[1:]]
    assert [row for row in rows if not row.startswith("of the ")] == [*HOOKS, "nuque decide", "nuque demo"]


def test_a_decision_fits_one_screen_for_an_ordinary_patient() -> None:
    """At a width of 80; what is critical is never cut, so it may take more."""
    ordinary = [text for is_ordinary, text in all_decided().values() if is_ordinary]
    assert len(ordinary) >= 20
    assert max(len(text.splitlines()) for text in ordinary) <= 25


def test_the_demo_fits_two_screens_of_45_lines() -> None:
    lines = demo_table().splitlines()
    assert len(INDEX) < len(lines) <= 90
    assert max(len(line) for line in lines[:-1]) <= 100
