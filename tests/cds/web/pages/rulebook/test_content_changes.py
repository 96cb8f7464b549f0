"""What the site changes: shipped beside in use, and whose decision comes out otherwise."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from cds.bootstrap.app import create_app
from cds.settings import Settings
from cds.web.pages.rulebook.content_changes import PATIENTS
from rules.loading.loader import load_ruleset
from rules.testing.generators import Generator
from rules.testing.ruleset_diff import Comparer
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

OVERLAY = Path("demo_bundles/site.yaml")
BROWSER = {"Accept": "text/html"}


@pytest.fixture(scope="module")
def written(store_url: str) -> Iterator[str]:
    with TestClient(create_app(Settings(overlays=(OVERLAY,)))) as client:
        yield client.get("/rules/changes", headers=BROWSER).text


@pytest.fixture(scope="module")
def changed(written: str) -> PageReader:
    return PageReader(written)


def test_a_number_keeps_its_unit_on_its_line(written: str) -> None:
    assert "<td>60\N{NO-BREAK SPACE}mm</td><td>58\N{NO-BREAK SPACE}mm</td>" in written


def test_each_number_stands_beside_the_shipped_one(changed: PageReader) -> None:
    assert len(changed["number"]) == 2
    assert any(text.endswith("60 mm58 mm") for text in changed["number"])
    assert any(text.endswith("1 hour2 hours") for text in changed["number"])


def test_what_is_written_otherwise_is_listed(changed: PageReader) -> None:
    written = " ".join(changed["written"])
    assert "Added rule: Long hair is tied up first hollowmere.long_hair" in written
    assert "Removed rule: Measure to the skin through facial hair sizing.note.facial_hair" in written
    assert "Changed axis: Height height_band" in written


def test_what_was_and_what_is_stand_side_by_side(store_url: str) -> None:
    with TestClient(create_app(Settings(overlays=(OVERLAY,)))) as client:
        text = client.get("/rules/changes", headers=BROWSER).text
    assert '<th scope="col">Shipped</th><th scope="col">This site</th>' in text
    assert "<td>Edges: (45, 60, 75, 90)</td><td>Edges: (45, 58, 75, 90)</td>" in text
    assert "-&gt;" not in text.partition("Whose decision changes")[0]


def test_what_changes_for_a_patient_stands_before_the_facts_which_are_folded(changed: PageReader) -> None:
    # A generated patient has up to a hundred facts: unfolded, they fill a screen.
    assert max(map(len, changed["patient"])) > 1000
    parts = [
        tag if tag != "p" else "facts"
        for tag, given in changed.tags
        if tag != "p" or given.get("data-part") == "patient"
    ]
    first = parts.index("facts")
    assert parts[first - 2 : first] == ["details", "summary"]
    assert "ul" in parts[:first][::-1][: parts[:first][::-1].index("summary", 2)]


def test_it_says_whose_decision_changes(changed: PageReader) -> None:
    patients = [("", facts) for facts in Generator(RULESET, seed=0).patients(PATIENTS)]
    count = len(list(Comparer(RULESET, load_ruleset(overlays=[OVERLAY])).changes(patients)))
    assert 0 < count < PATIENTS
    assert changed["changed"] == [f"{count} of {PATIENTS} generated patients are decided otherwise."]
    assert changed["kind"]


def test_without_an_overlay_nothing_is_changed(client: TestClient) -> None:
    assert "Nothing: the content is as shipped" in client.get("/rules/changes", headers=BROWSER).text
