"""No reader of a page meets the words of the machine: names with underscores, ranks of rules, codes of units, values of Python."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.pages.rulebook.condition_words import ConditionPart, condition_words
from rules.model.rule_text import describe_effects
from tests.cds import hook_calls
from tests.cds.conftest import AT
from tests.shipped_content import RULESET

AS_WRITTEN = frozenset({"code", "pre", "textarea", "script", "style"})
"""Elements for what is copied into a file or a terminal, or is no text."""
MACHINE = {
    "a name with underscores": re.compile(r"\b[A-Za-z]+(?:_[A-Za-z0-9]+)+\b"),
    "the rank of a rule": re.compile(r"\bpriority\b"),
    "a unit's code": re.compile(r"\{[a-z]+\}|\[in_i\]|(?<=\d) (?:a|h)\b(?! )"),
    "a value of Python": re.compile(r"\bNone\b(?! (?:yet|of|is))|\b(?:True|False|nan|undefined)\b"),
}
PATIENT = {
    "neck_height_mm": "67",
    "neck_circumference_mm": "381",
    "age_years": "43",
    "tracheostomy": "true",
    "collar_in_place": "true",
    "collar_hours": "7236",
    "discharge_planned": "true",
}
WORN = {"size.line": "adult", "size.height_band": "H3", "size.girth_band": "G2", "back_presses": "true"}
OPENED = (
    "/bedside",
    "/fit",
    "/rules",
    "/rules/map",
    "/rules/changes",
    "/rules/versions",
    "/rules/parameters",
    "/try?patient=03",
    "/print/downtime",
    "/rules/no.such.rule",
    *(f"/rules/{name}" for name in list(RULESET.rules)[::40]),
)
POSTED = {
    "/bedside": PATIENT,
    "/bedside/answer": {"age_years": "0.5", "neck_height_mm": "900"},
    "/bedside/link": {"link": "AAAA"},
    "/fit/start": PATIENT,
    "/fit": WORN,
    "/print/plan": PATIENT,
    "/print/staff": PATIENT,
    "/print/leaflet": {**PATIENT, "leaflet": "en"},
}


class _Read(HTMLParser):
    """The text of a page without what stands in ``AS_WRITTEN``, a line for each piece."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.pieces: list[str] = []
        self._apart = 0
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._apart += tag in AS_WRITTEN
        self.pieces += [value for name, value in attrs if name in ("aria-label", "title", "placeholder") and value]

    def handle_endtag(self, tag: str) -> None:
        self._apart -= tag in AS_WRITTEN

    def handle_data(self, data: str) -> None:
        if not self._apart and data.strip():
            self.pieces.append(" ".join(data.split()))


@pytest.fixture(scope="module")
def service(store_url: str) -> Iterator[TestClient]:
    demo = Path("demo_bundles")
    settings = Settings(catalogue=demo / "catalogue.yaml", overlays=(demo / "site.yaml",))
    with TestClient(create_app(settings, clock=lambda: AT), headers={"accept": "text/html"}) as client:
        yield client


def _found(texts: list[str]) -> list[str]:
    return [f"{what}: {text}" for text in texts for what, pattern in MACHINE.items() if pattern.search(text)]


@pytest.mark.parametrize("path", [*OPENED, *POSTED])
def test_a_page_speaks_to_people(service: TestClient, path: str) -> None:
    answer = service.post(path, data=POSTED[path]) if path in POSTED else service.get(path)
    pieces = _Read(answer.text).pieces
    assert len(pieces) > 3 and _found(pieces) == []


def test_a_decision_opened_from_a_card_speaks_to_people(service: TestClient) -> None:
    call = hook_calls.order_select(*hook_calls.MEASURED, hook_calls.observation("neck-height", 900, number=7))
    (url,) = {
        one["url"]
        for card in service.post("/cds-services/collar-order-select", json=call).json()["cards"]
        for one in card["links"]
    }
    pieces = _Read(service.post("/bedside/link", data={"link": url.partition("#d=")[2]}).text).pieces
    assert len(pieces) > 100 and _found(pieces) == []


def _parts(part: ConditionPart) -> Iterator[str]:
    yield part.words
    for below in part.below:
        yield from _parts(below)


def test_every_rule_is_told_in_words() -> None:
    told = [text for rule in RULESET.rules.values() for text in _parts(condition_words(RULESET, rule.when))]
    done = [text for rule in RULESET.rules.values() for text in describe_effects(RULESET, rule)]
    assert len(told) > 1000 and len(done) > 600
    assert _found([*told, *done]) == []
