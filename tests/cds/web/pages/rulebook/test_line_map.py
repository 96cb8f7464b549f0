"""The map of sizes: the same answers as the service gives, the whole picture covered, and where a rule acts."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from cds.web.pages.neck_chart import DEPTH, WIDTH
from cds.web.pages.rulebook.line_map import LineMap, line_maps
from tests.cds.web.pages.page_reader import PageReader
from tests.shipped_content import RULESET

MAPS = line_maps(RULESET)
BROWSER = {"Accept": "text/html"}


def test_there_is_a_picture_for_each_line() -> None:
    assert [one.line for one in MAPS] == list(RULESET.axes["line"].values)


@pytest.mark.parametrize("one", MAPS, ids=lambda one: one.line)
def test_every_place_of_the_picture_is_one_field_or_grey(one: LineMap) -> None:
    areas = [field.place for field in one.fields] + list(one.grey)
    assert one.fields and sum(area.width * area.height for area in areas) == pytest.approx(WIDTH * DEPTH, rel=0.01)


@pytest.mark.parametrize("one", MAPS, ids=lambda one: one.line)
def test_the_picture_says_what_the_service_decides(client: TestClient, one: LineMap) -> None:
    places = [(row, column) for row in range(len(one.up)) for column in range(len(one.across))]
    some = places[:: max(len(places) // 25, 1)]
    assert len(some) >= 25
    for row, column in some:
        # Off the middle that the picture was made from: the answer holds for the whole field.
        (low, high), (left, right) = one.up[row], one.across[column]
        facts = {
            "apparent_age_group": one.line,
            "bed_rest": False,
            "neck_height_mm": low + (high - low) * 0.25,
            "neck_circumference_mm": left + (right - left) * 0.75,
        }
        decision = client.post("/decisions", json={"facts": facts}).json()
        values = decision["size_class"]["values"] if "size_class" in decision else None
        size = None if values is None else (values["line"], values["height_band"], values["girth_band"])
        cell = one.cells[row][column]
        assert cell.size == size, facts
        assert cell.fired <= {entry["rule"] for entry in decision["trace"]}, facts


def test_a_band_that_a_line_does_not_have_is_grey_and_no_field() -> None:
    infant = next(one for one in MAPS if one.line == "infant")
    assert {field.bands[1] for field in infant.fields} == {"G1"} and infant.grey
    assert "H5" not in {field.bands[0] for field in infant.fields}


def test_the_page_draws_each_line_and_lists_each_field(client: TestClient) -> None:
    page = PageReader(client.get("/rules/map", headers=BROWSER).text)
    assert len(page["map"]) == len(MAPS)
    assert len(page["field"]) == sum(len(one.fields) for one in MAPS) > 20


def test_a_field_that_is_too_narrow_for_its_name_is_named_below_the_picture(client: TestClient) -> None:
    narrow = [" ".join(field.bands) for one in MAPS for field in one.fields if not field.labelled]
    named = PageReader(client.get("/rules/map", headers=BROWSER).text)["unwritten"]
    assert len(named) == len(narrow) > 0
    assert all(f": {bands}, circumference " in text for bands, text in zip(narrow, named, strict=True))


def test_a_rule_shows_where_on_the_map_it_acts(client: TestClient) -> None:
    page = PageReader(client.get("/rules/sizing.girth.measured_g4", headers=BROWSER).text)
    assert page["map"] and all(text.startswith(("Adult", "Adolescent")) for text in page["map"])
    # The picture is called by what it shows, and says that a list below says the same: there is one, of sizes and of the rule.
    assert page["acts"] and all(text.startswith("The rule acts: height ") for text in page["acts"])
    drawn = [one for one in MAPS if any(text.lower().startswith(one.line) for text in page["map"])]
    assert len(page["field"]) == sum(len(one.fields) for one in drawn)
    everywhere = PageReader(client.get("/rules/sizing.line.apparent_infant", headers=BROWSER).text)
    assert everywhere["whole"] == ["Acts in every field of: infant."] and not everywhere["map"]
    nowhere = PageReader(client.get("/rules/skin.braden.mild", headers=BROWSER).text)
    assert not nowhere["whole"] and not nowhere["map"]
