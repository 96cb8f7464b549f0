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
from rules.model.ruleset import Step

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
    "found",
    [
        "openings_off_midline",
        "fastenings_unequal",
        "halves_overlap_wrongly",
        "padding_short_of_edge",
        "lower_edge_short_of_notch",
    ],
)
def test_a_fault_of_seating_that_stays_is_for_the_orthotist_and_not_for_another_size(decider, found):
    told = advice(decider, "adult H3 G2", found, history=[attempt("adult H3 G2", found)])
    assert (told.outcome, told.next_size) == ("refer", None)
    assert "refer_orthotist" in {task.task for task in told.tasks}


def test_two_corrections_in_a_row_without_success_ask_for_an_orthotist(decider):
    history = [attempt("adult H2 G2", "no_finger_gap"), attempt("adult H2 G2", "no_finger_gap")]
    told = advice(decider, "adult H2 G3", "no_finger_gap", history=history)
    assert told.outcome == "refer"
    assert [c.rule for c in told.corrections] == ["fit_check.refer.in_a_row", "fit_check.refer.still_tight"]
    assert ("call_clinician", 0) in {(task.task, task.timing.within_hours) for task in told.tasks}


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


def test_the_gravest_comes_first_whatever_the_order_of_the_rules(decider):
    """Also where the rules are given the other way round: the order of steps is that of their priorities alone."""
    both = frozenset({"no_finger_gap", "slack_in_collar", "chin_sunk_inside", "ear_pressed"})
    rules = said(both, 1, 1, False)
    priorities = [rule.priority for rule, correction in rules if correction.action == "size"]
    assert len(set(priorities)) > 1
    now = standing(RULESET, FitCheck(size="adult H3 G2"))
    move = next_move(RULESET, rules, now, None, withheld=False)
    assert move is not None and move.step == Step("height_band", -1)
    assert {rule.id for rule, _ in move.said} == {"fit_check.size.chin_sunk", "fit_check.size.ear"}
    for order in (rules, rules[::-1]):
        move = next_move(RULESET, order, now, None, withheld=False)
        assert [rule.id for rule, _ in move.said] == ["fit_check.size.chin_sunk", "fit_check.size.ear"]
    tight_and_low = said(frozenset({"no_finger_gap", "ear_pressed"}), 1, 1, False)
    for order in (tight_and_low, tight_and_low[::-1]):
        move = next_move(RULESET, order, now, None, withheld=False)
        assert move is not None and move.step == Step("girth_band", 1)


@pytest.mark.parametrize("found", ["chin_over_edge", "head_sinks_forward"])
def test_a_chin_that_is_not_held_is_no_reason_for_height_while_the_collar_is_tight(decider, found):
    both = ("no_finger_gap", found)
    widest = advice(decider, "adult H3 G4", *both, history=[attempt("adult H3 G4", *both)])
    assert (widest.outcome, widest.next_size) == ("refer", None)


UPWARD = Step("height_band", 1)


def test_height_goes_up_for_a_chin_that_is_not_held_and_girth_for_tightness_alone():
    answers = {
        (correction.step, correction.finding)
        for rule in RULESET.rules.values()
        for correction in rule.then.corrections
        if correction.step is not None and correction.step.by > 0
    }
    assert answers == {
        (UPWARD, "chin_over_edge"),
        (UPWARD, "head_sinks_forward"),
        (Step("girth_band", 1), "no_finger_gap"),
    }


CORRECTING_RULES = [
    (rule, correction)
    for rule in RULESET.rules.values()
    for correction in rule.then.corrections
    if correction.action in ("reseat", "size")
]


@pytest.mark.parametrize(("rule", "correction"), CORRECTING_RULES, ids=[rule.id for rule, _ in CORRECTING_RULES])
def test_every_correction_says_who_holds_head_and_neck(rule, correction):
    assert "One person holds head and neck; another" in " ".join(correction.correction.split())
    assert [call.task for call in rule.then.tasks if call.task == "refit_collar"] == ["refit_collar"]


@pytest.mark.parametrize("seated", [(), ("no_finger_gap",)], ids=["reseat", "change of size"])
def test_the_advice_names_who_holds_and_orders_two_people(decider, seated):
    history = [attempt("adult H3 G2", *seated)] if seated else []
    told = advice(decider, "adult H3 G2", "no_finger_gap", history=history)
    assert told.outcome == ("change_size" if seated else "reseat")
    assert "ne person holding head and neck" in told.summary or "One person holds head and neck" in told.summary
    (task,) = [task for task in told.tasks if task.task == "refit_collar"]
    assert task.people >= 2


def test_no_correction_is_ordered_where_the_orthotist_is_asked_instead(decider):
    both = ("openings_off_midline", "no_finger_gap")
    told = advice(decider, "adult H3 G4", *both, history=[attempt("adult H3 G4", *both)])
    assert told.outcome == "refer"
    assert {task.task for task in told.tasks} == {"refer_orthotist"}


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


SOME_FOUND = ((), ("no_finger_gap",), ("openings_off_midline",), CORRECTABLE)
STOPPED_BY = {
    "airway_threat": ("sizing.hold.airway", "fit_check.stop.airway"),
    "suspected_distraction_injury": ("sizing.hold.distraction", "fit_check.stop.specialist"),
    "halo_in_place": ("sizing.hold.halo", "fit_check.stop.specialist"),
}


@pytest.mark.parametrize("danger", STOPPED_BY)
@pytest.mark.parametrize("earlier", [0, 1, 3], ids=["not seated again", "seated again", "in a row"])
@pytest.mark.parametrize("found", SOME_FOUND, ids=["nothing", "one", "another", "everything"])
def test_no_correction_stands_beside_a_reason_to_fit_no_collar(decider, danger, earlier, found):
    """Whatever was found, and whatever the earlier checks tell."""
    facts = {"age_years": 40, "head_position": "neutral", danger: True}
    told = advice(decider, "adult H3 G2", *found, facts=facts, history=[attempt("adult H3 G2", *found)] * earlier)
    assert (told.outcome, told.next_size, told.axis) == ("stop", None, None)
    assert {c.action for c in told.corrections} == {"stop"}
    assert set(STOPPED_BY[danger]) <= {entry.rule for entry in told.trace}
    assert [hold.rules for hold in told.holds] == [(STOPPED_BY[danger][0],)]
    assert "refit_collar" not in {task.task for task in told.tasks}
    assert any(caution.severity == "critical" and STOPPED_BY[danger][0] in caution.rules for caution in told.cautions)


SITE_HOLD = """
site: {name: a site of a test}
rules:
  - id: sizing.hold.site
    title: A reason of the site
    when: {fact: osteoporosis, is: true}
    then: {hold: {kind: do_not_size, text: The site sizes no collar here.}}
    because: A rule of a test.
    sources: [local-judgement]
"""


@pytest.fixture(scope="module")
def holding(tmp_path_factory):
    """The shipped rules with a reason to give no size of which no rule of the fit check knows."""
    overlay = tmp_path_factory.mktemp("site") / "hold.yaml"
    overlay.write_text(SITE_HOLD)
    return Decider(load_ruleset(overlays=[overlay]))


@pytest.mark.parametrize(
    ("found", "seated", "without_hold"),
    [
        ((), 0, "fits"),
        (("no_finger_gap",), 0, "reseat"),
        (("no_finger_gap",), 1, "change_size"),
        (("openings_off_midline",), 1, "refer"),
        (("chin_over_edge", "chin_sunk_inside"), 1, "refer"),
        (("no_finger_gap",), 3, "refer"),
    ],
)
def test_a_hold_stops_the_fitting_beside_every_other_movement(holding, found, seated, without_hold):
    history = [attempt("adult H3 G2", *found)] * seated
    outcomes = [
        advice(
            holding,
            "adult H3 G2",
            *found,
            history=history,
            facts={"age_years": 40, "head_position": "neutral", "osteoporosis": held},
        )
        for held in (False, True)
    ]
    assert [told.outcome for told in outcomes] == [without_hold, "stop"]
    assert outcomes[1].corrections == ()
    assert [hold.text for hold in outcomes[1].holds] == ["The site sizes no collar here."]


ACTIONS = {
    "stop": "fit_check.stop.breathing",
    "refer as a whole": "fit_check.refer.in_a_row",
    "reseat": "fit_check.seat.tight",
    "size": "fit_check.size.tight",
    "refer": "fit_check.refer.openings",
}


def test_the_order_of_movements_over_every_combination():
    """Stop, the orthotist for the fit as a whole, the same size, another size, the orthotist for one finding, nothing."""
    now = standing(RULESET, FitCheck(size="adult H3 G2"))
    order = list(ACTIONS)
    for chosen in product((False, True), repeat=len(order)):
        names = [name for name, taken in zip(order, chosen, strict=True) if taken]
        rules = [(rule, rule.then.corrections[0]) for rule in (RULESET.rules[ACTIONS[name]] for name in names)]
        expected = names[0].split()[0] if names else None
        for withheld, action in ((False, expected), (True, "stop")):
            move = next_move(RULESET, rules[::-1], now, None, withheld=withheld)
            assert (move and move.action) == action, (names, withheld)


@pytest.mark.parametrize("position", ["fixed_flexion", "fixed_other"])
def test_a_fixed_head_is_never_straightened(decider, position):
    facts = {"age_years": 80, "head_position": position}
    told = advice(decider, "adult H1 G2 flexed", "head_tilted", "head_sinks_forward", facts=facts)
    assert "fit_check.seat.tilt" not in {entry.rule for entry in told.trace}
    assert "fit_check.seat.sinks" not in {entry.rule for entry in told.trace}
    pushed = advice(decider, "adult H1 G2 flexed", "head_pushed_back", facts=facts)
    assert pushed.outcome == "stop"


@pytest.mark.parametrize("earlier", [0, 1, 2])
@pytest.mark.parametrize(
    "facts",
    [{}, {"head_position": "neutral", "neck_laxity": True}, {"head_position": "neutral", "spine_precautions": True}],
    ids=["position not recorded", "lax", "precautions"],
)
def test_a_head_pushed_out_of_its_position_is_stop_hold_and_call(decider, facts, earlier):
    history = [attempt("adult H2 G2", "head_pushed_back")] * earlier
    told = advice(decider, "adult H2 G2", "head_pushed_back", facts={"age_years": 70, **facts}, history=history)
    assert (told.outcome, told.next_size) == ("stop", None)
    assert told.summary == "Stop, hold the head by hand, and call now."
    assert any("hold the head by hand, open the front" in caution.text for caution in told.cautions)


@pytest.mark.parametrize("stiff", ["inflammatory_spine_disease", "hyperostotic_spine", "previous_neck_fusion"])
@pytest.mark.parametrize("found", SOME_FOUND, ids=["nothing", "one", "another", "everything"])
def test_a_stiff_neck_of_unknown_position_is_stop_hold_and_call(decider, stiff, found):
    told = advice(decider, "adult H2 G2", *found, facts={"age_years": 70, stiff: True})
    assert told.outcome == "stop"
    expected = "pushed_out" if "head_pushed_back" in found else "stiff_position_unknown"
    assert f"fit_check.stop.{expected}" in {c.rule for c in told.corrections}


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"raised_intracranial_pressure_risk": True}, "Intracranial pressure may be raised"),
        ({"tracheostomy": True}, "the front opening must leave the tube"),
        ({"neck_line": True}, "A line, drain or cable"),
        ({"dysphagia_risk": True}, "Swallowing is at risk"),
    ],
)
@pytest.mark.parametrize("seated", [0, 1])
def test_the_cautions_of_the_patient_stay_on_the_advice(decider, facts, words, seated):
    history = [attempt("adult H2 G2", "no_finger_gap")] * seated
    facts = {"age_years": 40, "head_position": "neutral", **facts}
    told = advice(decider, "adult H2 G2", "no_finger_gap", facts=facts, history=history)
    assert told.outcome == ("change_size" if seated else "reseat")
    assert [caution.severity for caution in told.cautions if words in caution.text] == ["critical"]


def test_dangers_that_nobody_recorded_are_named_in_one_line(decider):
    told = advice(decider, "adult H2 G2", "no_finger_gap")
    assert told.dangers_not_recorded is not None
    assert told.dangers_not_recorded.text.startswith("Not recorded: airway")


# --- what the shelf lacks ----------------------------------------------------------------------------------------------


def test_a_size_that_the_shelf_lacks_is_named_when_it_is_passed_over(decider):
    shelf = (StockedItem(name="wide", sizes=("adult H2 G4",)),)
    history = [attempt("adult H2 G2", "no_finger_gap")]
    told = advice(decider, "adult H2 G2", "no_finger_gap", history=history, shelf=shelf)
    assert told.next_size is not None and told.next_size.code == "adult H2 G4"
    assert told.no_item_for == ("adult H2 G3",)
    assert "No item left for adult H2 G3." in told.summary


@pytest.mark.parametrize(
    ("others", "rule"),
    [((), "fit_check.refer.no_size_left"), (("openings_off_midline",), "fit_check.refer.openings")],
)
def test_a_size_that_the_shelf_lacks_is_named_when_the_orthotist_is_asked(decider, others, rule):
    found = ("no_finger_gap", *others)
    told = advice(decider, "adult H2 G3", *found, history=[attempt("adult H2 G3", *found)], shelf=())
    assert told.outcome == "refer"
    assert [c.rule for c in told.corrections if c.rule != "fit_check.refer.still_tight"] == [rule]
    assert told.no_item_for == ("adult H2 G4",)
    assert "No item left for adult H2 G4." in told.summary


def test_a_size_that_the_shelf_lacks_is_named_when_another_axis_is_taken(decider):
    both = ("no_finger_gap", "ear_pressed")
    shelf = (StockedItem(name="low", sizes=("adult H1 G2",)),)
    told = advice(decider, "adult H3 G2", *both, history=[attempt("adult H3 G2", *both)], shelf=shelf)
    assert told.next_size is not None and told.next_size.code == "adult H1 G2"
    assert told.no_item_for == ("adult H3 G3", "adult H3 G4", "adult H2 G2")


def test_nothing_is_missing_where_the_next_size_is_on_the_shelf(decider):
    shelf = (StockedItem(name="next", sizes=("adult H2 G3",)),)
    history = [attempt("adult H2 G2", "no_finger_gap")]
    told = advice(decider, "adult H2 G2", "no_finger_gap", history=history, shelf=shelf)
    assert told.no_item_for == ()
    assert "No item" not in told.summary


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["", "H2 G2", "adult H2", "adult H9 G2", "adult H2 G2 standing", "adult G2 H2"])
def test_a_size_that_is_not_written_as_one_is_refused(decider, size):
    with pytest.raises(FactError, match="not a size class"):
        advice(decider, size)


@pytest.mark.parametrize(
    "wrong",
    [
        {"facts": {SEATED_BEFORE: 0}},
        {"facts": {NO_SIZE_LEFT: False}},
        {"facts": {"no_finger_gap": True}},
        {"facts": {"age_years": -1}},
        {"facts": {"collar_in_place": False}},
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
    move = next_move(RULESET, said(*known, False), now, check.shelf, withheld=False)
    return move or next_move(RULESET, said(*known, True), now, check.shelf, withheld=False), now


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
