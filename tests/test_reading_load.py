"""Ten seconds: what is read of each invented patient keeps to its limit, and says the gravest first."""

from __future__ import annotations

from urllib.parse import urldefrag

import pytest

from cds.protocol.request import FULL_TEXT
from rules.loading.loader import load_ruleset
from tests.reading_load import HOOKS, INDEX, Json, Read, all_decided, all_read, demo_table, table

LIMITS = {"collar-order-select": 1000, "collar-patient-view": 900, "collar-discharge": 1500, "collar-order-sign": 1600}
"""Characters of detail on a card for an ordinary patient."""
LONGEST = 1600
"""The same for everybody else."""
RULESET = load_ruleset()
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
    """How many exactly is printed by ``python -m tests.reading_load``."""
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
        if not read.cards or read.service == "collar-order-sign":
            continue
        said = "\n".join(f"{card['summary']}\n{card['detail']}" for card in read.cards).replace("\\", "")
        for caution in read.decision.get("cautions", ()):
            if caution["severity"] == "critical":
                checked += 1
                assert caution["text"] in said, (read.service, read.file, caution["text"])
    assert checked > 50


def test_the_gravest_card_comes_first() -> None:
    assert any(len(read.cards) > 1 for read in all_read(FULL_TEXT))
    for read in all_read(FULL_TEXT):
        found = [SEVERITIES.index(card["indicator"]) for card in read.cards]
        assert found == sorted(found), (read.service, read.file)


def test_no_detail_says_its_summary_again() -> None:
    for read, card in _cards():
        said = card["summary"].split(" (and ")[0].removeprefix("Do not size: ").removeprefix("No size yet: ")
        assert said not in card["detail"].replace("\\", ""), (read.service, read.file)


def test_no_card_names_a_rule_a_source_or_a_parameter() -> None:
    for read, card in _cards():
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
    for _, card in _cards():
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
