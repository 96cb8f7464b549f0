"""The decision map shows what the rules decide, and a cohort's patients where they are."""

import json
import math
import re
from itertools import combinations, pairwise
from random import Random

import polars as pl
import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.cohorts.pipeline import Replay
from cds.fhir.reading.code_map_loader import load_code_map
from cds.reports.size_chart import colour, size_map
from cds.reports.size_chart_geometry import Panel, fields, panels
from rules.batch.polars_backend import Columns
from rules.evaluation.hit_policy import choose, sizing_part
from rules.evaluation.interpreter import fire
from tests.cds.reports.test_reports import distance, seen_as
from tests.shipped_content import RULESET

RING = 2
"""A patient is drawn as two circles: a ring and its rim."""


def decided(panel, height, girth):
    facts = {**panel.known, "neck_height_mm": height, "neck_circumference_mm": girth}
    outcome = choose(RULESET, fire(RULESET, facts).fired).outcome
    return outcome[:3] if outcome else None


def test_each_field_is_what_the_rules_decide_up_to_its_very_edges():
    random = Random(1)
    assert panels(RULESET)
    for panel in panels(RULESET):
        found = fields(Columns(sizing_part(RULESET)), panel)
        assert len(found) > 3
        for field in found:
            (low, high), (left, right) = field.height, field.girth
            inner = [(random.uniform(low, high), random.uniform(left, right)) for _ in range(5)]
            ends = [(low, left), (math.nextafter(high, 0), left), (low, math.nextafter(right, 0))]
            assert {decided(panel, *point) for point in inner + ends} == {field.size}, (panel.title, field)


def test_the_fields_of_a_panel_leave_no_gap():
    assert panels(RULESET)
    for panel in panels(RULESET):
        found = fields(Columns(sizing_part(RULESET)), panel)
        areas = sum(
            (high - low) * (right - left) for (low, high), (left, right) in ((f.height, f.girth) for f in found)
        )
        low, high = min(f.height[0] for f in found), max(f.height[1] for f in found)
        left, right = min(f.girth[0] for f in found), max(f.girth[1] for f in found)
        assert areas == pytest.approx((high - low) * (right - left))


@pytest.mark.parametrize("deficiency", ["none", "protanopia", "deuteranopia"])
def test_neighbouring_fields_differ_in_colour_for_everybody(deficiency):
    heights, girths = RULESET.axes["height_band"].values, RULESET.axes["girth_band"].values
    pairs = [((one, girth), (other, girth)) for one, other in pairwise(heights) for girth in girths]
    pairs += [((height, one), (height, other)) for one, other in pairwise(girths) for height in heights]
    assert len(pairs) > 10
    for one, other in pairs:
        shades = (seen_as(colour(RULESET, *size), deficiency) for size in (one, other))
        assert distance(*shades) > 0.1, (one, other)


def test_a_line_that_the_measurements_lead_to_is_named_once_a_panel():
    assert panels(RULESET) and len(RULESET.axes["line"].values) > 1
    for panel in panels(RULESET):
        picture = size_map(RULESET, [panel])
        sizes = [f.size for f in fields(Columns(sizing_part(RULESET)), panel)]
        others = {size[0] for size in sizes if size} - {panel.known["apparent_age_group"]}
        said = re.findall(r">[^<]*hatched: ([^<]*)<", picture)
        assert len(said) == bool(others), panel.title
        assert {line for names in said for line in names.split(", ")} == {line.replace("_", " ") for line in others}


@pytest.mark.xdist_group("browser")
def test_no_two_labels_of_the_map_overlap(browser, tmp_path):
    file = tmp_path / "map.svg"
    file.write_text(size_map(RULESET, panels(RULESET)), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1300, "height": 1100})
    page.goto(file.as_uri())
    boxes = page.evaluate(
        "[...document.querySelectorAll('text')].map(t => { const b = t.getBoundingClientRect();"
        " return [b.left, b.top, b.right, b.bottom, t.textContent] })"
    )
    page.close()
    assert len(boxes) > 200
    overlapping = [
        (one[4], other[4])
        for one, other in combinations(boxes, 2)
        if one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
    ]
    assert overlapping == []


def test_patients_are_drawn_in_the_panel_of_their_line_and_posture():
    cohort = pl.DataFrame(
        {
            "age_years": [40.0, 40.0, 0.5, None],
            "bed_rest": [True, False, None, True],
            "neck_height_mm": [60.0, None, 40.0, 60.0],
            "neck_circumference_mm": [400.0, 400.0, 250.0, 400.0],
            "height_cm": [None, None, None, 120.0],
        }
    )
    found = {panel.title: list(panel.points) for panel in panels(RULESET, cohort) if panel.points}
    assert found == {"adult, lying": [(60.0, 400.0)], "infant, up": [(40.0, 250.0)]}


def test_the_patients_appear_as_rings():
    panel = Panel("adult", {"apparent_age_group": "adult", "bed_rest": False}, [(60.0, 400.0), (500.0, 400.0)])
    assert size_map(RULESET, [panel]).count("<circle") == RING


def test_the_command_draws_a_replayed_cohort(tmp_path):
    (tmp_path / "in").mkdir()
    facts = pl.DataFrame({"age_years": [40.0], "neck_height_mm": [60.0], "neck_circumference_mm": [400.0]})
    facts.write_parquet(tmp_path / "in" / "facts.parquet")
    Replay(RULESET, load_code_map(RULESET), tmp_path / "in", tmp_path / "out").run(lambda *_: None)
    page = tmp_path / "map.html"
    arguments = [
        "rules",
        "map",
        "--html",
        str(page),
        "--svg",
        str(tmp_path / "map.svg"),
        "--cohort",
        str(tmp_path / "out"),
    ]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0, result.output
    assert page.read_text().count("<circle") == RING
    assert re.search("adult, up<tspan[^>]*>[^<]* · 1 patient<", (tmp_path / "map.svg").read_text())
    assert re.search("48 to 63 mm +no size +adolescent H2 G1 +adult H2 G1", result.output)


def test_the_command_says_the_same_as_json():
    result = CliRunner().invoke(main, ["rules", "map", "--json"])
    situations = json.loads(result.output)["situations"]
    assert [one["title"] for one in situations] == [panel.title for panel in panels(RULESET)]
    assert {"neck_height_mm": [48, 63], "neck_circumference_mm": [338, 438], "size": "adult H2 G2"} in situations[-1][
        "fields"
    ]
