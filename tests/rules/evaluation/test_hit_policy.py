"""The hit policy of the size class: what wins on each axis, what is tried next, and how a size is written and read."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.evaluation.hit_policy import AxisChoice, Sizing, candidates, choose, read_size_class, size_class, sizing_part
from rules.evaluation.interpreter import fire
from rules.model.decision import SizeClass
from tests.rules.small_deciding import deciding_ruleset
from tests.rules.small_fitting import fitting_ruleset

RULESET = deciding_ruleset()
GIRTHS = RULESET.axes["girth"]


def sized(**facts):
    return choose(RULESET, fire(RULESET, facts).fired)


LINE = AxisChoice(("adult",), "assumed", 0, ("small.line",), 3)
POSE = AxisChoice(("upright",), "assumed", 0, ("small.pose",), 2)


@pytest.mark.parametrize(
    ("facts", "axis", "choice"),
    [
        ({}, "line", LINE),
        ({}, "girth", AxisChoice(("G1", "G2"), "assumed", 0, ("small.girth",), 3)),
        ({"weight_kg": 70}, "girth", AxisChoice(("G2", "G1", "G3"), "observed", 0, ("small.g_est",), 1)),
        ({"weight_kg": 70, "girth_mm": 300}, "girth", AxisChoice(("G1",), "measured", 0, ("small.g_low",), 3)),
        ({"age_years": 5}, "line", AxisChoice(("young",), "measured", 0, ("small.young",), 2)),
        ({"lying": True, "swollen": False}, "pose", AxisChoice(("flat",), "observed", 0, ("small.flat",), 3)),
        (
            {"swollen": False},
            "pose",
            AxisChoice(("upright", "flat"), "assumed", 0, ("small.pose", "small.either"), 2),
        ),
    ],
)
def test_on_each_axis_the_strongest_basis_then_the_priority_then_the_place(facts, axis, choice):
    assert sized(**facts).axes[axis] == choice


def test_of_one_basis_the_higher_priority_wins():
    rules = fire(RULESET, {"swollen": False}).fired
    higher = [replace(rule, priority=7) if rule.id == "small.either" else rule for rule in rules]
    ruleset = replace(
        RULESET, strata=tuple(tuple(higher if n == 0 else stratum) for n, stratum in enumerate(RULESET.strata))
    )
    choice = choose(ruleset, higher).axes["pose"]
    assert choice == AxisChoice(("flat",), "assumed", 7, ("small.either",), 3)


@pytest.mark.parametrize(
    ("facts", "withheld", "outcome", "picture"),
    [
        ({}, False, ("adult", "G1", "upright"), (("adult",), ("G1",), ("upright",), ())),
        ({"swollen": True}, True, None, (("adult",), ("G1",), ("upright",), ("Swollen: measure again.",))),
        # The same reason from two rules is one reason.
        (
            {"threat": True, "bleeding": True, "swollen": True},
            True,
            None,
            (("adult",), ("G1",), ("upright",), ("Swollen: measure again.", "Threat: call now and fit nothing.")),
        ),
    ],
)
def test_a_size_is_withheld_for_any_reason(facts, withheld, outcome, picture):
    found = sized(**facts)
    assert (found.withheld, found.outcome, found.picture) == (withheld, outcome, picture)


def test_where_nothing_is_offered_on_an_axis_no_size_is_given():
    found = choose(RULESET, [rule for rule in fire(RULESET, {}).fired if rule.id != "small.pose"])
    assert found.axes["pose"] == AxisChoice((), None, 0, ())
    assert (found.withheld, found.outcome, found.picture) == (True, None, (("adult",), ("G1",), (), ()))
    assert candidates(RULESET, found) == ()


def told(*axes: AxisChoice, ruleset=RULESET):
    sizing = Sizing(dict(zip(ruleset.axes, axes, strict=True)), ())
    return [(one.size_class.code, one.size_class.condition, one.why) for one in candidates(ruleset, sizing)]


ONLY = "the only size that fits what is known"
SMALLEST = "the smallest of the neighbouring sizes: try it first"
PROBABLE = "the most probable of the neighbouring sizes: try it first"
ELSE = "if the first does not fit: "


def girth(*values):
    return AxisChoice(values, "observed", 0, ())


def test_the_sizes_to_try_come_by_fewest_steps_at_most_six_with_the_way_from_the_first():
    pose = AxisChoice(("upright", "flat"), "observed", 0, ())
    assert told(LINE, girth("G1"), POSE) == [("adult G1", "if adult", ONLY)]
    assert told(LINE, girth("G1", "G2", "G3"), pose) == [
        ("adult G1", "if adult", SMALLEST),
        ("adult G1 flat", "if adult", ELSE + "pose 1 step up"),
        ("adult G2", "if adult", ELSE + "girth 1 step up"),
        ("adult G2 flat", "if adult", ELSE + "girth 1 step up, pose 1 step up"),
        ("adult G3", "if adult", ELSE + "girth 2 steps up"),
        ("adult G3 flat", "if adult", ELSE + "girth 2 steps up, pose 1 step up"),
    ]
    assert told(LINE, girth("G3", "G1"), POSE) == [
        ("adult G3", "if adult", PROBABLE),
        ("adult G1", "if adult", ELSE + "girth 2 steps down"),
    ]
    lines = AxisChoice(("young", "adult"), "measured", 0, ())
    assert len(told(lines, girth("G1", "G2", "G3"), pose)) == 6
    assert told(lines, girth("G1"), POSE) == [
        ("young G1", None, SMALLEST),
        ("adult G1", None, ELSE + "line 1 step up"),
    ]


@pytest.mark.parametrize(
    ("line", "condition"),
    [
        (LINE, "if adult"),
        (replace(LINE, basis="observed"), None),
        (AxisChoice(("young",), "assumed", 0, ()), None),
        (AxisChoice(("young", "adult"), "assumed", 0, ()), None),
    ],
)
def test_a_size_that_hangs_on_an_assumption_says_so(line, condition):
    assert {one[1] for one in told(line, girth("G1"), POSE)} == {condition}


def test_two_conditions_are_both_named():
    axes = {**RULESET.axes, "pose": replace(RULESET.axes["pose"], conditions={"upright": "if up"})}
    ruleset = replace(RULESET, axes=axes)
    assert told(LINE, girth("G1"), POSE, ruleset=ruleset)[0][1] == "if adult, if up"


def test_a_size_is_written_short_and_in_words_without_what_goes_without_saying():
    values = {"line": "young", "girth": "G3", "pose": "upright"}
    words = "young line, girth 400 mm or more"
    assert size_class(RULESET, values) == SizeClass(values=values, code="young G3", words=words)
    flat = {**values, "pose": "flat"}
    assert size_class(RULESET, flat, "if old") == SizeClass(
        values=flat, code="young G3 flat", words=f"if old: {words}, flat", condition="if old"
    )


@pytest.mark.parametrize(
    ("written", "values"),
    [
        ("adult T1 W2", ("adult", "T1", "W2", "straight")),
        ("  young   T4 W4 bent ", ("young", "T4", "W4", "bent")),
        ("young T1 W1 straight", ("young", "T1", "W1", "straight")),
    ],
)
def test_a_size_is_read_as_it_is_written(written, values):
    read = read_size_class(fitting_ruleset(), written)
    assert read == dict(zip(("line", "tall", "wide", "shape"), values, strict=True))
    assert read_size_class(fitting_ruleset(), size_class(fitting_ruleset(), read).code) == read


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ("", "expected a line, one of young, adult"),
        ("T1 W1", "expected a line, one of young, adult"),
        ("adult", "expected a height, one of T1, T2, T3, T4"),
        ("adult W1 T1", "expected a height, one of T1, T2, T3, T4"),
        ("adult T1", "expected a girth, one of W1, W2, W3, W4"),
        ("adult T1 W1 bent more of it", "'more of it' is too much"),
    ],
)
def test_what_is_no_size_is_refused_with_what_was_expected(written, problem):
    with pytest.raises(ValueError, match="is not a size class") as error:
        read_size_class(fitting_ruleset(), written)
    assert str(error.value) == f"{written!r} is not a size class: {problem}"


def test_the_sizing_part_holds_what_sizes_or_withholds_and_what_that_reads():
    assert set(sizing_part(RULESET).rules) == {
        "small.estimate",
        "small.adult",
        "small.young",
        "small.line",
        "small.g_low",
        "small.g_high",
        "small.g_est",
        "small.girth",
        "small.pose",
        "small.either",
        "small.flat",
        "small.swollen",
        "small.threat",
        "small.bleeding",
    }
