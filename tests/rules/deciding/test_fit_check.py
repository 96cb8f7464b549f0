"""Judging the fit: the loop's order, and the proof that a sequence of checks comes to its end without going back and forth."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from itertools import combinations, product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.deciding.decider import Decider
from rules.deciding.fit_check import (
    NO_SIZE_LEFT,
    SEATED_BEFORE,
    WITHOUT_SUCCESS,
    FitAttempt,
    FitCheck,
    StockedItem,
    advise,
    findings_of,
    next_move,
    standing,
)
from rules.errors import FactError
from rules.evaluation.hit_policy import size_class
from rules.evaluation.interpreter import fire
from rules.loading.loader import load_ruleset

RULESET = load_ruleset()
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
HEIGHTS = RULESET.axes["height_band"].values
GIRTHS = RULESET.axes["girth_band"].values
FINDINGS = tuple(findings_of(RULESET))
STOPPING = {"breathing_or_swallowing_trouble", "new_neurological_sign"}
CORRECTABLE = tuple(name for name in FINDINGS if name not in STOPPING)
MOST_CHECKS = 2 * (len(HEIGHTS) - 1 + len(GIRTHS) - 1) + 2
"""Each step narrows an axis, and each size is seated again once: so many checks at most without one that finds nothing."""


@pytest.fixture(scope="module")
def decider() -> Decider:
    return Decider(RULESET)


def checked(*found: str) -> dict[str, bool]:
    return {name: name in found for name in FINDINGS}


def advice(decider, size, *found, history=(), **more):
    more.setdefault("facts", {"age_years": 40, "head_position": "neutral"})
    return advise(decider, FitCheck(size=size, findings=checked(*found), history=tuple(history), **more), AT)


def attempt(size, *found, item=None):
    return FitAttempt(size=size, item=item, findings=checked(*found))


# --- the order of things ---------------------------------------------------------------------------------------------


def test_a_collar_with_nothing_found_fits(decider):
    told = advice(decider, "adult H2 G2")
    assert (told.outcome, told.corrections, told.unchecked) == ("fits", (), ())


def test_what_was_not_looked_at_keeps_the_fit_from_being_called_good(decider):
    told = advise(decider, FitCheck(size="adult H2 G2", findings={"no_finger_gap": False}), AT)
    assert told.outcome == "incomplete"
    assert "chin_over_edge" in told.unchecked
    assert "no_finger_gap" not in told.unchecked


def test_the_same_size_is_seated_again_before_another_is_tried(decider):
    told = advice(decider, "adult H2 G2", "no_finger_gap")
    assert (told.outcome, told.next_size) == ("reseat", None)
    assert [c.rule for c in told.corrections] == ["fit_check.seat.tight"]


@pytest.mark.parametrize(
    ("found", "following"),
    [
        ("no_finger_gap", "adult H3 G3"),
        ("slack_in_collar", "adult H3 G1"),
        ("chin_over_edge", "adult H4 G2"),
        ("head_sinks_forward", "adult H4 G2"),
        ("lower_edge_short_of_notch", "adult H4 G2"),
        ("chin_sunk_inside", "adult H2 G2"),
        ("lower_edge_on_clavicles", "adult H2 G2"),
        ("ear_pressed", "adult H2 G2"),
        ("head_pushed_back", "adult H2 G2"),
    ],
)
def test_then_one_size_on_one_axis(decider, found, following):
    told = advice(decider, "adult H3 G2", found, history=[attempt("adult H3 G2", found)])
    assert told.outcome == "change_size"
    assert told.next_size is not None and told.next_size.code == following


@pytest.mark.parametrize(
    "found", ["openings_off_midline", "fastenings_unequal", "halves_overlap_wrongly", "padding_short_of_edge"]
)
def test_a_fault_of_seating_that_stays_is_for_the_orthotist_and_not_for_another_size(decider, found):
    told = advice(decider, "adult H3 G2", found, history=[attempt("adult H3 G2", found)])
    assert (told.outcome, told.next_size) == ("refer", None)
    assert "refer_orthotist" in {task.task for task in told.tasks}


def test_two_corrections_in_a_row_without_success_ask_for_an_orthotist(decider):
    history = [attempt("adult H2 G2", "no_finger_gap"), attempt("adult H2 G2", "no_finger_gap")]
    told = advice(decider, "adult H2 G3", "no_finger_gap", history=history)
    assert told.outcome == "refer"
    assert [c.rule for c in told.corrections] == ["fit_check.refer.in_a_row"]


def test_a_correction_that_helped_starts_the_count_again(decider):
    history = [attempt("adult H2 G2", "no_finger_gap"), attempt("adult H2 G2", "no_finger_gap")]
    told = advice(decider, "adult H2 G3", "ear_pressed", history=history)
    assert told.outcome == "reseat"


def test_a_size_once_left_is_not_offered_from_the_other_side(decider):
    history = [
        attempt("adult H2 G2", "no_finger_gap"),
        attempt("adult H2 G2", "no_finger_gap"),
        attempt("adult H2 G3", "slack_in_collar"),
    ]
    told = advice(decider, "adult H2 G3", "slack_in_collar", history=history)
    assert told.outcome == "refer"
    assert told.not_offered_again == ("G1", "G2")
    assert {"refer_orthotist", "remeasure_neck"} <= {task.task for task in told.tasks}


def test_a_change_of_size_without_a_finding_bars_nothing(decider):
    history = [attempt("adult H2 G2"), attempt("adult H2 G3", "slack_in_collar")]
    told = advice(decider, "adult H2 G3", "slack_in_collar", history=history)
    assert told.next_size is not None and told.next_size.code == "adult H2 G2"


def test_tightness_comes_before_height(decider):
    both = ("no_finger_gap", "chin_over_edge")
    told = advice(decider, "adult H3 G2", *both, history=[attempt("adult H3 G2", *both)])
    assert told.axis == "girth_band"


def test_findings_that_ask_for_opposite_things_move_nothing(decider):
    both = ("chin_over_edge", "chin_sunk_inside")
    told = advice(decider, "adult H3 G2", *both, history=[attempt("adult H3 G2", *both)])
    assert (told.outcome, told.next_size) == ("refer", None)


@pytest.mark.parametrize("found", sorted(STOPPING))
def test_danger_stops_everything(decider, found):
    told = advice(decider, "adult H3 G2", found, "no_finger_gap", "openings_off_midline")
    assert told.outcome == "stop"
    assert [c.finding for c in told.corrections] == [found]
    assert [c.severity for c in told.cautions] == ["critical"]


def test_a_reason_to_give_no_size_stops_the_fitting(decider):
    told = advice(decider, "adult H3 G2", facts={"age_years": 40, "airway_threat": True})
    assert told.outcome == "stop"
    assert any("Airway first" in caution.text for caution in told.cautions)


@pytest.mark.parametrize("position", ["fixed_flexion", "fixed_other"])
def test_a_fixed_head_is_never_straightened(decider, position):
    facts = {"age_years": 80, "head_position": position}
    told = advice(decider, "adult H1 G2 flexed", "head_tilted", "head_sinks_forward", facts=facts)
    assert "fit_check.seat.tilt" not in {entry.rule for entry in told.trace}
    assert "fit_check.seat.sinks" not in {entry.rule for entry in told.trace}
    pushed = advice(decider, "adult H1 G2 flexed", "head_pushed_back", facts=facts)
    assert pushed.outcome == "stop"


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["", "H2 G2", "adult H2", "adult H9 G2", "adult H2 G2 standing", "adult G2 H2"])
def test_a_size_that_is_not_written_as_one_is_refused(decider, size):
    with pytest.raises(FactError, match="no size class"):
        advice(decider, size)


@pytest.mark.parametrize(
    "wrong",
    [
        {"facts": {SEATED_BEFORE: 0}},
        {"facts": {NO_SIZE_LEFT: False}},
        {"facts": {"no_finger_gap": True}},
        {"facts": {"age_years": -1}},
        {"findings": {"chin_missing": True}},
        {"findings": {"sedated": True}},
        {"history": (FitAttempt(size="adult H2 G2", findings={"sedated": True}),)},
    ],
)
def test_facts_and_findings_that_do_not_belong_are_named(decider, wrong):
    with pytest.raises(FactError):
        advise(decider, FitCheck(**{"size": "adult H2 G2", **wrong}), AT)


# --- coming to an end ------------------------------------------------------------------------------------------------


@cache
def said(found: frozenset[str], seated: int, without: int, no_size: bool):
    facts = {**checked(*found), SEATED_BEFORE: seated, WITHOUT_SUCCESS: without, "head_position": "neutral"}
    if no_size:
        facts[NO_SIZE_LEFT] = True
    fired = fire(RULESET, facts).fired
    return tuple((rule, correction) for rule in fired for correction in rule.then.corrections)


def follow(check: FitCheck):
    """What ``advise`` would do, without writing it down."""
    now = standing(RULESET, check)
    found = frozenset(name for name, present in check.findings.items() if present)
    if not found:
        return None, now
    known = (found, min(now.seated_before, 5), min(now.without_success, 5))
    move = next_move(RULESET, said(*known, False), now, check.shelf)
    return move or next_move(RULESET, said(*known, True), now, check.shelf), now


def test_every_sequence_of_single_and_paired_findings_ends_without_going_back():
    """Exhaustive over every state that a fitting can reach: the size, what was left, and how the last corrections went."""
    kinds = ("no_finger_gap", "slack_in_collar", "chin_over_edge", "chin_sunk_inside", "openings_off_midline")
    choices = [frozenset(chosen) for count in (1, 2) for chosen in combinations(kinds, count)]
    waiting = [(f"adult {height} {girth}", ()) for height, girth in product(HEIGHTS, GIRTHS)]
    done: set[object] = set()
    while waiting:
        size, history = waiting.pop()
        assert len(history) < MOST_CHECKS
        for found in choices:
            check = FitCheck(size=size, findings=dict.fromkeys(found, True), history=history)
            move, now = follow(check)
            assert move is not None and move.action in ("reseat", "size", "refer")
            if move.action == "refer":
                continue
            after = (*history, FitAttempt(size=size, findings=check.findings))
            following = size
            if move.action == "size":
                following = size_class(RULESET, move.size).code
                assert following not in {earlier.size for earlier in after}, (after, following)
            then = standing(RULESET, FitCheck(size=following, findings=check.findings, history=after))
            assert all(then.above[axis] >= now.above[axis] for axis in RULESET.axes)
            assert all(then.below[axis] <= now.below[axis] for axis in RULESET.axes)
            bounds = (*then.above.values(), *then.below.values())
            state = (following, bounds, then.seated_before, then.without_success, found)
            if state not in done:
                done.add(state)
                waiting.append((following, after))
    assert len({state[0] for state in done}) == len(HEIGHTS) * len(GIRTHS)


sizes = st.builds(
    "{} {} {}".format, st.sampled_from(["child", "adult"]), st.sampled_from(HEIGHTS), st.sampled_from(GIRTHS)
)
found_sets = st.frozensets(st.sampled_from(CORRECTABLE), max_size=5)


@given(size=sizes, checks=st.lists(found_sets, min_size=1, max_size=40))
def test_no_size_comes_back_whatever_is_found(size, checks):
    """Also where checks that find nothing lie between."""
    history: list[FitAttempt] = []
    seen = [size]
    for found in checks:
        move, _ = follow(FitCheck(size=size, findings=checked(*found), history=tuple(history)))
        history.append(attempt(size, *found))
        if move is not None and move.action == "size":
            size = size_class(RULESET, move.size).code
            seen.append(size)
        if move is not None and move.action == "refer":
            break
    assert len(history) > 0
    assert len(seen) == len(set(seen))


@given(size=sizes, checks=st.lists(found_sets.filter(bool), min_size=MOST_CHECKS, max_size=MOST_CHECKS))
def test_an_unbroken_run_of_findings_reaches_the_orthotist(size, checks):
    history: list[FitAttempt] = []
    for found in checks:
        move, _ = follow(FitCheck(size=size, findings=checked(*found), history=tuple(history)))
        assert move is not None
        if move.action == "refer":
            return
        history.append(attempt(size, *found))
        if move.action == "size":
            size = size_class(RULESET, move.size).code
    pytest.fail("still trying on")


@given(size=sizes, checks=st.lists(found_sets, min_size=1, max_size=30), stock=st.data())
def test_no_item_comes_back_from_the_shelf(size, checks, stock):
    """Items that serve several sizes, and sizes that nothing serves."""
    line = size.split()[0]
    codes = [f"{line} {height} {girth}" for height, girth in product(HEIGHTS, GIRTHS)]
    served = stock.draw(st.lists(st.lists(st.sampled_from(codes), min_size=1, max_size=6, unique=True), max_size=10))
    shelf = tuple(StockedItem(name=f"item-{index}", sizes=tuple(sizes)) for index, sizes in enumerate(served))
    history: list[FitAttempt] = []
    item, worn = "first", ["first"]
    for found in checks:
        check = FitCheck(size=size, item=item, findings=checked(*found), history=tuple(history), shelf=shelf)
        move, _ = follow(check)
        history.append(attempt(size, *found, item=item))
        if move is None or move.action == "reseat":
            continue
        if move.action == "refer":
            break
        size, item = size_class(RULESET, move.size).code, move.item
        assert size in next(entry.sizes for entry in shelf if entry.name == item)
        worn.append(item)
    assert len(worn) == len(set(worn))
