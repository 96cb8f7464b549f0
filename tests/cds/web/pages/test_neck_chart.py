"""The drawing of height by circumference lies where the numbers say."""

from datetime import UTC, datetime

import pytest

from cds.web.pages.neck_chart import DEPTH, WIDTH, NeckChart, neck_chart
from rules.deciding.decider import Decider
from rules.model.facts import FactValue
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def _chart(**facts: FactValue) -> NeckChart | None:
    return neck_chart(RULESET, DECIDER.decide(facts, AT))


def test_a_measured_neck_is_a_box_of_its_margins_inside_its_candidate() -> None:
    chart = _chart(age_years=41, neck_height_mm=66, neck_circumference_mm=380)
    assert chart is not None and chart.measured
    (cell,) = chart.candidates
    box = chart.patient
    assert cell.x < box.x and box.x + box.width < cell.x + cell.width
    assert cell.y < box.y and box.y + box.height < cell.y + cell.height
    # The scale follows from two ticks: 100 mm of circumference between the first two, 15 mm of height.
    across = (chart.girths[1].place - chart.girths[0].place) / 100
    up = (chart.heights[0].place - chart.heights[1].place) / 15
    assert box.width == pytest.approx(2 * RULESET.number("girth_margin_mm") * across, abs=0.2)
    assert box.height == pytest.approx(2 * RULESET.number("height_margin_mm") * up, abs=0.2)


def test_a_childs_neck_is_as_uncertain_as_the_tape_round_it() -> None:
    """The repeatability of the tape in children: sources.yaml, tape-children-2009."""
    chart = _chart(age_years=5, neck_height_mm=30, neck_circumference_mm=250)
    assert chart is not None
    why = "(so far do two tapes part at this age)"
    margin = RULESET.number("youngest_girth_margin_mm")
    assert f"circumference 250 mm measured, give or take {margin:.0f} {why}" in chart.words
    grown = _chart(age_years=41, neck_height_mm=66, neck_circumference_mm=380)
    assert grown is not None and why not in grown.words


def test_candidates_end_at_the_true_edges() -> None:
    chart = _chart(age_years=41, neck_height_mm=66, neck_circumference_mm=380)
    assert chart is not None
    (cell,) = chart.candidates
    places = {tick.millimetres: tick.place for tick in chart.girths}
    assert (cell.x, cell.x + cell.width) == pytest.approx((places[330], places[430]))


def test_finger_breadths_make_the_box_as_high_as_their_uncertainty() -> None:
    chart = _chart(age_years=41, neck_height_fingers=3, neck_circumference_mm=380)
    assert chart is not None and chart.measured
    # 3 fingers of 19 mm, give or take half a finger.
    assert "Height 48 to 66 mm estimated" in chart.words


def test_what_is_not_measured_is_drawn_as_whole_bands() -> None:
    chart = _chart(age_years=41, sex="male")
    assert chart is not None and not chart.measured
    assert chart.words == "Height not measured; circumference not measured."


def test_there_is_no_drawing_without_a_size_or_a_measurement() -> None:
    assert _chart(halo_in_place=True) is None


@pytest.mark.parametrize(
    "facts",
    [{"neck_height_mm": 10, "neck_circumference_mm": 1000}, {"neck_height_mm": 200, "neck_circumference_mm": 100}],
)
def test_the_farthest_patients_lie_inside_the_drawing(facts: dict[str, FactValue]) -> None:
    chart = _chart(age_years=41, **facts)
    assert chart is not None
    box = chart.patient
    assert min(box.x, box.y) >= 0
    assert box.x + box.width <= WIDTH and box.y + box.height <= DEPTH
