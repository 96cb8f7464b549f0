"""The decision map shows what the rules decide, and a cohort's patients where they are."""

import polars as pl
from click.testing import CliRunner

from cds.cli import main
from cds.cohorts.run import Replay
from cds.fhir.loading_codes import load_code_map
from cds.reports.size_map import Panel, _grid, colour, panels, size_map
from rules.columns import Columns
from rules.evaluation import fire
from rules.loading import load_ruleset
from rules.sizing import choose

RULESET = load_ruleset()


def test_each_cell_is_what_the_rules_decide():
    for panel in panels(RULESET):
        grid = _grid(Columns(RULESET), panel, 7)
        cells = [(height, girth) for height in grid.height for girth in grid.girth]
        for (height, girth), size in zip(cells, grid.sizes, strict=True):
            facts = {**panel.known, "neck_height_mm": float(height), "neck_circumference_mm": float(girth)}
            outcome = choose(RULESET, fire(RULESET, facts).fired).outcome
            assert size == (" ".join(outcome[:3]) if outcome else None)


def test_every_size_has_a_colour_of_its_own():
    heights, girths = RULESET.axes["height_band"].values, RULESET.axes["girth_band"].values
    assert len({colour(RULESET, height, girth) for height in heights for girth in girths}) == len(heights) * len(girths)


def test_patients_are_drawn_in_the_panel_of_their_line_and_posture():
    cohort = pl.DataFrame(
        {
            "age_years": [40.0, 40.0, 0.5, None],
            "bed_rest": [True, False, None, True],
            "neck_height_mm": [60.0, None, 40.0, 60.0],
            "neck_circumference_mm": [400.0, 400.0, 250.0, 400.0],
        }
    )
    found = {panel.title: list(panel.points) for panel in panels(RULESET, cohort) if panel.points}
    assert found == {"adult, lying": [(60.0, 400.0)], "infant, up": [(40.0, 250.0)]}


def test_the_patients_appear_as_rings():
    panel = Panel("adult", {"apparent_age_group": "adult", "bed_rest": False}, [(60.0, 400.0), (500.0, 400.0)])
    assert size_map(RULESET, [panel], cells=10).count("<circle") == 1


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
    assert page.read_text().count("<circle") == 1
    assert "adult, up · 1 patient" in (tmp_path / "map.svg").read_text()
