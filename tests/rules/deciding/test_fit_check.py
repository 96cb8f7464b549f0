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
from rules.evaluation.hit_policy import read_size_class, size_class
from rules.evaluation.interpreter import fire
from rules.loading.loader import load_ruleset
from rules.model.ruleset import Step
from tests.rules.small_fitting import fitting_ruleset
from tests.shipped_content import RULESET

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
    lacking = "adult line, height 45 to under 60 mm, neck circumference 430 to under 635 mm"
    assert f"No item left for {lacking}." in told.summary


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
    assert "No item left for adult line, height 45 to under 60 mm, neck circumference 635 mm or more." in told.summary


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


# --- the whole advice, by a small ruleset --------------------------------------------------------------------------

SMALL = fitting_ruleset()
SMALL_FINDINGS = ("choking", "tight", "loose", "low", "high", "crooked")


@pytest.fixture(scope="module")
def small() -> Decider:
    return Decider(SMALL)


def worn(size, *found, item=None):
    return FitAttempt(size=size, item=item, findings={name: name in found for name in SMALL_FINDINGS})


def told_of(small, size, *found, item=None, history=(), facts=None, shelf=None):
    """The advice by the small ruleset as plain JSON, without what is the same every time."""
    check = FitCheck(
        **worn(size, *found, item=item).model_dump(),
        history=tuple(history),
        facts=facts or {},
        shelf=None if shelf is None else tuple(StockedItem(name=name, sizes=tuple(sizes)) for name, sizes in shelf),
    )
    told = advise(small, check, AT).as_json()
    assert told.pop("at") == "2026-01-31T10:00:00Z"
    assert told.pop("ruleset") == {"name": "fitting", "version": "1.0.0", "hash": small.ruleset.hash}
    assert told.pop("disclaimer") == "nothing of this is for patients"
    assert told.pop("worn")["code"] == size
    return told


def in_short(told):
    """Of the advice what was decided; of each part the rules behind it."""
    short = {
        name: told[name]
        for name in ("outcome", "next_item", "axis", "not_offered_again", "no_item_for")
        if name in told
    }
    short |= {"next": told["next_size"]["code"]} if "next_size" in told else {}
    short |= {"said": [each["rule"] for each in told["corrections"]]} if "corrections" in told else {}
    short |= {"cautions": [each["text"] for each in told["cautions"]]} if "cautions" in told else {}
    short |= {"tasks": {each["task"]: each["rules"] for each in told["tasks"]}} if "tasks" in told else {}
    return short


SEATED = "Seat the same size again, one person holding head and neck, and check again."
STOPPED = "Stop, hold the head by hand, and call now."
HOLDING = "One person holds head and neck throughout."
REFER = "Stop trying on and ask the orthotist."
NO_SIZE = {"outcome": "refer", "said": ["fit.no_size_left"], "tasks": {"ask": ["fit.no_size_left"]}}
TIGHT = {"axis": "wide", "said": ["fit.tight"], "tasks": {"refit_collar": ["fit.tight"]}, "outcome": "change_size"}
LOW = {"axis": "tall", "said": ["fit.low"], "tasks": {"refit_collar": ["fit.low"]}, "outcome": "change_size"}


def same(size, *found, times=1, item=None):
    return [worn(size, *found, item=item)] * times


@pytest.mark.parametrize(
    ("given", "summary", "expected"),
    [
        ({"found": ()}, "Nothing to correct: the collar fits as it was checked.", {"outcome": "fits"}),
        # What concerns the patient is said whatever is done with the collar; what is neither that nor of the check is not.
        (
            {"found": ("tight",), "facts": {"asleep": True, "frail": True, "missing": True}},
            SEATED,
            {
                "outcome": "reseat",
                "said": ["fit.seat"],
                "cautions": ["Asleep.", "Seat it with care."],
                "tasks": {"refit_collar": ["fit.seat"]},
            },
        ),
        (
            {"found": ("tight",), "history": same("adult T2 W2", "tight")},
            f"Try adult line, short, wide (adult T2 W3): girth up. {HOLDING}",
            {**TIGHT, "next": "adult T2 W3"},
        ),
        (
            {"found": ("loose",), "history": same("adult T2 W2", "loose")},
            f"Try adult line, short, slim (adult T2 W1): girth down. {HOLDING}",
            {
                "outcome": "change_size",
                "axis": "wide",
                "next": "adult T2 W1",
                "said": ["fit.loose"],
                "tasks": {"refit_collar": ["fit.loose"]},
            },
        ),
        # The gravest first, whatever the order of the rules.
        (
            {"found": ("tight", "low"), "history": same("adult T2 W2", "tight", "low")},
            f"Try adult line, tall, narrow (adult T3 W2): height up. {HOLDING}",
            {**LOW, "next": "adult T3 W2", "tasks": {"refit_collar": ["fit.tight", "fit.low"]}},
        ),
        (
            {"found": ("tight", "low", "high"), "history": same("adult T2 W2", "tight", "low", "high")},
            f"Try adult line, short, wide (adult T2 W3): girth up. {HOLDING}",
            {**TIGHT, "next": "adult T2 W3", "tasks": {"refit_collar": ["fit.tight", "fit.low", "fit.high"]}},
        ),
        (
            {"found": ("tight", "loose"), "history": same("adult T2 W2", "tight", "loose")},
            REFER,
            NO_SIZE,
        ),
        (
            {"size": "adult T2 W4", "found": ("tight",), "history": same("adult T2 W4", "tight")},
            REFER,
            NO_SIZE,
        ),
        (
            {"size": "adult T1 W2 bent", "found": ("high",), "history": same("adult T1 W2 bent", "high")},
            REFER,
            NO_SIZE,
        ),
        # A rule about the end of the sizes that reads the line worn; another line has none.
        (
            {"size": "young T1 W4", "found": ("tight",), "history": same("young T1 W4", "tight")},
            REFER,
            {"outcome": "refer"},
        ),
        # The young line ends at T2.
        (
            {"size": "young T1 W2", "found": ("low",), "history": same("young T1 W2", "low")},
            f"Try young line, short, narrow (young T2 W2): height up. {HOLDING}",
            {**LOW, "next": "young T2 W2"},
        ),
        (
            {"size": "young T2 W2", "found": ("low",), "history": same("young T2 W2", "low")},
            REFER,
            {"outcome": "refer"},
        ),
        # One finding for the orthotist waits for sizes; the fit as a whole does not.
        (
            {"found": ("tight", "crooked"), "history": same("adult T2 W2", "tight", "crooked")},
            f"Try adult line, short, wide (adult T2 W3): girth up. {HOLDING}",
            {
                **TIGHT,
                "next": "adult T2 W3",
                "tasks": {"refit_collar": ["fit.tight", "fit.crooked"], "ask": ["fit.crooked"]},
            },
        ),
        (
            {"found": ("crooked",), "history": same("adult T2 W2", "crooked")},
            REFER,
            {"outcome": "refer", "said": ["fit.crooked"], "tasks": {"ask": ["fit.crooked"]}},
        ),
        (
            {"found": ("tight",), "history": same("adult T2 W2", "tight", times=2)},
            REFER,
            {"outcome": "refer", "said": ["fit.in_a_row"], "tasks": {"ask": ["fit.in_a_row"]}},
        ),
        # Stopping: what is asked for now without opening the collar, and what the rule that stops asks for.
        (
            {"found": ("choking", "tight"), "history": same("adult T2 W2", "choking", "tight", times=2)},
            STOPPED,
            {
                "outcome": "stop",
                "said": ["fit.choking"],
                "cautions": ["Choking: open the front."],
                "tasks": {"call": ["fit.choking"], "free": ["fit.choking"]},
            },
        ),
        (
            {"found": ("choking",), "facts": {"gasping": True, "frail": True}},
            STOPPED,
            {
                "outcome": "stop",
                "said": ["fit.choking"],
                "cautions": ["Choking: open the front.", "Gasping."],
                "tasks": {"call": ["fit.choking", "care.gasping"], "free": ["fit.choking", "care.gasping"]},
            },
        ),
        # Of a danger that no rule of the check knows: what is asked for now, and does not open the collar.
        (
            {"found": ("tight",), "facts": {"missing": True, "gasping": True, "threat": True}},
            STOPPED,
            {
                "outcome": "stop",
                "cautions": ["Threat: call.", "Gasping.", "Seat it with care."],
                "tasks": {
                    "call": ["dangers.threat", "care.gasping"],
                    "free": ["dangers.threat", "care.gasping"],
                    "watch": ["dangers.threat"],
                },
            },
        ),
        (
            {"found": ("tight",), "facts": {"gasping": True}},
            SEATED,
            {
                "outcome": "reseat",
                "said": ["fit.seat"],
                "cautions": ["Gasping.", "Seat it with care."],
                "tasks": {"refit_collar": ["fit.seat"]},
            },
        ),
        (
            {"found": ("tight",), "facts": {"threat": True, "asleep": True}},
            STOPPED,
            {
                "outcome": "stop",
                "cautions": ["Threat: call.", "Asleep.", "Seat it with care."],
                "tasks": {
                    "call": ["dangers.threat"],
                    "free": ["dangers.threat"],
                    "watch": ["dangers.threat", "dangers.asleep"],
                },
            },
        ),
        (
            {"found": (), "facts": {"missing": True}},
            "Nothing to correct: the collar fits as it was checked.",
            {"outcome": "fits"},
        ),
    ],
)
def test_what_is_advised_and_why(small, given, summary, expected):
    given = {"size": "adult T2 W2", **given}
    told = told_of(small, given.pop("size"), *given.pop("found"), **given)
    assert told["summary"] == summary
    assert in_short(told) == expected


W3 = "Try adult line, short, wide"


@pytest.mark.parametrize(
    ("given", "summary", "expected"),
    [
        (
            {"shelf": [("a", ["adult T2 W2"]), ("b", ["adult T1 W3", "adult T2 W3"])]},
            f"{W3}, item b: girth up. {HOLDING}",
            {**TIGHT, "next": "adult T2 W3", "next_item": "b"},
        ),
        # The item worn serves the next size too, and would change nothing.
        (
            {"item": "b", "shelf": [("b", ["adult T2 W2", "adult T2 W3"]), ("c", ["adult T2 W3"])]},
            f"{W3}, item c: girth up. {HOLDING}",
            {**TIGHT, "next": "adult T2 W3", "next_item": "c"},
        ),
        (
            {"item": "b", "shelf": [("b", ["adult T2 W2", "adult T2 W3"]), ("c", ["adult T2 W4"])]},
            "Try adult line, short, widest, item c: girth up. No item left for adult line, short, wide. " + HOLDING,
            {**TIGHT, "next": "adult T2 W4", "next_item": "c", "no_item_for": ["adult T2 W3"]},
        ),
        (
            {"shelf": []},
            f"{REFER} No item left for adult line, short, wide; nor for adult line, short, widest.",
            {**NO_SIZE, "no_item_for": ["adult T2 W3", "adult T2 W4"]},
        ),
        # Height has nothing left, so girth is tried; what was passed over on the way is named.
        (
            {"found": ("tight", "low"), "shelf": [("d", ["adult T2 W4"])]},
            "Try adult line, short, widest, item d: girth up. No item left for adult line, tall, narrow; nor for adult "
            f"line, tallest, narrow; nor for adult line, short, wide. {HOLDING}",
            {
                **TIGHT,
                "next": "adult T2 W4",
                "next_item": "d",
                "no_item_for": ["adult T3 W2", "adult T4 W2", "adult T2 W3"],
                "tasks": {"refit_collar": ["fit.tight", "fit.low"]},
            },
        ),
        (
            {"found": ("tight", "crooked"), "shelf": []},
            f"{REFER} No item left for adult line, short, wide; nor for adult line, short, widest.",
            {
                "outcome": "refer",
                "said": ["fit.crooked"],
                "tasks": {"ask": ["fit.crooked"]},
                "no_item_for": ["adult T2 W3", "adult T2 W4"],
            },
        ),
        (
            {"size": "young T1 W2", "found": ("low",), "shelf": [("e", ["young T3 W2"])]},
            f"{REFER} No item left for young line, short, narrow.",
            {"outcome": "refer", "no_item_for": ["young T2 W2"]},
        ),
    ],
)
def test_what_the_shelf_holds_bounds_what_is_offered(small, given, summary, expected):
    given = {"size": "adult T2 W2", "found": ("tight",), **given}
    size, found = given.pop("size"), given.pop("found")
    told = told_of(small, size, *found, history=same(size, *found, item=given.get("item")), **given)
    assert told["summary"] == summary
    assert in_short(told) == expected


def test_an_item_that_was_left_or_is_worn_is_not_offered(small):
    history = [worn("adult T1 W2", "low", item="b"), worn("adult T2 W2", "tight", item="c")]
    shelf = [(name, ["adult T2 W3"]) for name in "bcde"]
    told = told_of(small, "adult T2 W2", "tight", item="c", history=history, shelf=shelf)
    assert in_short(told) == {**TIGHT, "next": "adult T2 W3", "next_item": "d", "not_offered_again": ["T1"]}


def test_an_advice_is_written_out_in_full(small):
    history = [worn("adult T2 W1", "tight"), worn("adult T2 W2", "low")]
    assert told_of(small, "adult T2 W2", "low", history=history, facts={"frail": True}) == {
        "outcome": "change_size",
        "summary": f"Try adult line, tall, narrow (adult T3 W2): height up. {HOLDING}",
        "next_size": {
            "values": {"line": "adult", "tall": "T3", "wide": "W2", "shape": "straight"},
            "code": "adult T3 W2",
            "words": "adult line, tall, narrow",
        },
        "axis": "tall",
        "corrections": [
            {
                "finding": "low",
                "label": "chin not held",
                "cause": "Its tall is wrong.",
                "correction": "Try another tall.",
                "action": "size",
                "rule": "fit.low",
            }
        ],
        "not_offered_again": ["W1"],
        "dangers_not_recorded": {
            "text": "Not recorded: a threat.",
            "facts": ["threat"],
            "rules": ["dangers.asked"],
        },
        "tasks": [
            {
                "task": "refit_collar",
                "title": "Refit",
                "instruction": "Refit.",
                "request": "activity",
                "timing": {"within_hours": 1.0},
                "timing_words": "within 1 hour",
                "begins": "within 1 hour",
                "performer": "nurse",
                "performer_words": "a nurse",
                "people": 1,
                "reasons": ["The size is wrong."],
                "rules": ["fit.low"],
            }
        ],
        "trace": [
            {
                "rule": "fit.low",
                "title": "low",
                "because": "The size is wrong.",
                "sources": ["s"],
                "evidence": ["local_default"],
                "comparisons": [
                    {"text": "low is true", "fact": "low", "value": True},
                    {"text": "refits_in_this_size >= 1 (once)", "fact": "refits_in_this_size", "value": 1},
                ],
                "local": False,
            }
        ],
        "sources": {"s": "a local default"},
    }


def test_stopping_names_holds_and_every_source_of_what_is_shown(small):
    told = told_of(small, "adult T2 W2", "choking", facts={"threat": True, "missing": True, "frail": True})
    assert told["holds"] == [
        {
            "kind": "do_not_size",
            "summary": "Threat: fit nothing.",
            "text": "Threat: fit nothing.",
            "rules": ["dangers.threat"],
        }
    ]
    assert [entry["rule"] for entry in told["trace"]] == ["fit.choking", "dangers.threat"]
    assert list(told["sources"].items()) == [("s", "a local default"), ("t", "another one")]
    assert "dangers_not_recorded" not in told


@pytest.mark.parametrize(
    ("looked_at", "unchecked"),
    [
        ((), SMALL_FINDINGS),
        (("tight", "choking"), ("loose", "low", "high", "crooked")),
        (SMALL_FINDINGS[1:], ("choking",)),
    ],
)
def test_what_was_not_looked_at_is_named_and_counted(small, looked_at, unchecked):
    told = advise(small, FitCheck(size="adult T2 W2", findings=dict.fromkeys(looked_at, False)), AT)
    assert (told.outcome, told.unchecked) == ("incomplete", unchecked)
    assert told.summary == (
        f"Nothing found, but {len(unchecked)} points were not looked at; look at them before the fit is called good."
    )


def test_what_is_found_is_answered_whatever_was_not_looked_at(small):
    told = advise(small, FitCheck(size="adult T2 W2", findings={"tight": True}), AT)
    assert (told.outcome, told.unchecked) == ("reseat", ("choking", "loose", "low", "high", "crooked"))


def test_the_moment_of_a_check_needs_a_time_zone(small):
    with pytest.raises(ValueError, match="needs a time zone"):
        advise(small, FitCheck(size="adult T2 W2"), AT.replace(tzinfo=None))


NO_SIZE_CLASS = "accepted: a size class, such as adult H3 G2"
ONE_OF = "choking, tight, loose, low, high, crooked"


@pytest.mark.parametrize(
    ("wrong", "problems"),
    [
        (
            {"size": "adult T9 W1", "history": (FitAttempt(size="adult T1 W1 x"),)},
            [
                "size = 'adult T1 W1 x': 'adult T1 W1 x' is not a size class: 'x' is too much; " + NO_SIZE_CLASS,
                "size = 'adult T9 W1': 'adult T9 W1' is not a size class: expected a height, one of T1, T2, T3, T4; "
                + NO_SIZE_CLASS,
            ],
        ),
        (
            {"facts": {"no_size_left": False, "worn_line": "adult", "frail": True}},
            [
                "no_size_left = False: is worked out from the earlier checks and cannot be given; accepted: nothing; leave "
                "it out",
                "worn_line = 'adult': is worked out from the earlier checks and cannot be given; accepted: nothing; leave "
                "it out",
            ],
        ),
        (
            {"facts": {"refits_in_this_size": 0, "corrections_without_success": 1}},
            [
                "refits_in_this_size = 0: is worked out from the earlier checks and cannot be given; accepted: nothing; "
                "leave it out",
                "corrections_without_success = 1: is worked out from the earlier checks and cannot be given; accepted: "
                "nothing; leave it out",
            ],
        ),
        (
            {"facts": {"collar_in_place": False}},
            ["collar_in_place = False: but a fit is checked on a collar that is on; accepted: true, or nothing"],
        ),
        (
            {"findings": {"frail": True}, "history": (FitAttempt(size="adult T1 W1", findings={"itches": False}),)},
            [
                f"itches = False: is not a finding of a fit check; accepted: one of {ONE_OF}",
                f"frail = True: is not a finding of a fit check; accepted: one of {ONE_OF}",
            ],
        ),
        (
            {"facts": {"tight": True, "frail": True}},
            ["tight = True: is a finding; give it under findings; accepted: nothing under facts"],
        ),
        (
            {
                "size": "",
                "facts": {"tight": True, "collar_in_place": False, "no_size_left": True},
                "findings": {"itches": True},
            },
            [
                "size = '': '' is not a size class: expected a line, one of young, adult; " + NO_SIZE_CLASS,
                "no_size_left = True: is worked out from the earlier checks and cannot be given; accepted: nothing; leave "
                "it out",
                "collar_in_place = False: but a fit is checked on a collar that is on; accepted: true, or nothing",
                f"itches = True: is not a finding of a fit check; accepted: one of {ONE_OF}",
                "tight = True: is a finding; give it under findings; accepted: nothing under facts",
            ],
        ),
    ],
)
def test_every_problem_of_a_check_is_told_at_once(small, wrong, problems):
    with pytest.raises(FactError) as error:
        advise(small, FitCheck(**{"size": "adult T2 W2", **wrong}), AT)
    assert str(error.value).splitlines() == problems


@pytest.mark.parametrize("given", [{}, {"collar_in_place": True}])
def test_a_collar_that_is_checked_is_on(small, given):
    check = FitCheck(size="adult T2 W4", findings={"tight": True}, history=(worn("adult T2 W4", "tight"),), facts=given)
    told = advise(small, check, AT)
    assert [entry.rule for entry in told.trace] == ["fit.tight", "fit.no_size_left"]


CHOKES_ALONE = (
    "      tasks: [{task: call, within_hours: 0}, {task: free, within_hours: 0}]\n    because: Breath",
    "    because: Breath",
)


def test_beside_a_stop_that_asks_for_nothing_what_presses_is_asked_for_now_if_it_opens_nothing():
    decider = Decider(fitting_ruleset(CHOKES_ALONE))
    told = told_of(decider, "adult T2 W2", "choking", facts={"gasping": True})
    assert in_short(told)["tasks"] == {"call": ["care.gasping"]}
    assert "tasks" not in told_of(decider, "adult T2 W2", "choking", facts={"asleep": True})


NO_LINE_TOLD = ("worn_line: {type", "other_line: {type"), ("{fact: worn_line, is: adult}", "{unknown: other_line}")
NO_LINE_THERE = (
    ("  line:\n    {title: line,", "  model:\n    {title: line,"),
    ("{axis: line, value: adult", "{axis: model, value: adult"),
    ("{fact: worn_line, is: adult}", "{unknown: worn_line}"),
)


@pytest.mark.parametrize("changes", [NO_LINE_TOLD, NO_LINE_THERE], ids=["no such fact", "no such axis"])
def test_the_line_worn_is_told_where_rules_know_of_lines_and_of_the_fact(changes):
    decider = Decider(fitting_ruleset(*changes))
    check = FitCheck(size="adult T2 W4", findings={"tight": True}, history=(worn("adult T2 W4", "tight"),))
    assert [entry.rule for entry in advise(decider, check, AT).trace] == ["fit.tight", "fit.no_size_left"]


# --- where a fitting stands ------------------------------------------------------------------------------------------

START = {"line": -1, "tall": -1, "wide": -1, "shape": -1}
END = {"line": 2, "tall": 4, "wide": 4, "shape": 2}


@pytest.mark.parametrize(
    ("checks", "expected"),
    [
        ([("adult T2 W2", None, "tight")], {}),
        ([("adult T2 W2", None, ""), ("adult T2 W2", None, "tight")], {}),
        ([("adult T2 W2", None, "tight"), ("adult T2 W2", None, "tight")], {"seated_before": 1, "without_success": 1}),
        ([("adult T2 W2", None, "tight"), ("adult T2 W2", None, "low")], {"seated_before": 1}),
        ([("adult T2 W2", None, "tight"), ("adult T2 W2", None, "")], {"seated_before": 1}),
        (
            [("adult T2 W2", None, "tight"), ("adult T2 W3", None, "tight")],
            {"above": {"wide": 1}, "without_success": 1},
        ),
        ([("adult T2 W2", None, "loose"), ("adult T2 W1", None, "low")], {"below": {"wide": 1}}),
        (
            [("adult T1 W4 bent", None, "tight"), ("adult T2 W3", None, "low")],
            {"above": {"tall": 0}, "below": {"wide": 3, "shape": 1}},
        ),
        ([("adult T2 W2", None, ""), ("adult T2 W3", None, "tight")], {}),
        # The bounds stay the narrowest, whatever came between.
        (
            [
                ("adult T1 W3", None, "low"),
                ("adult T2 W3", None, "low"),
                ("adult T3 W2", None, "low"),
                ("adult T1 W2", None, "high"),
                ("adult T2 W1", None, "low"),
            ],
            {"above": {"tall": 1}, "below": {"tall": 2, "wide": 1}},
        ),
        (
            [
                ("adult T1 W3", None, "low"),
                ("adult T2 W2", None, "low"),
                ("adult T1 W2", None, "low"),
                ("adult T2 W2", None, ""),
            ],
            {"above": {"tall": 0}, "below": {"wide": 2, "tall": 1}},
        ),
        (
            [
                ("adult T2 W2", None, "low"),
                ("adult T2 W1", None, "low"),
                ("adult T2 W3", None, "low"),
                ("adult T2 W2", None, ""),
            ],
            {"above": {"wide": 0}, "below": {"wide": 1}},
        ),
        # Three in a row, of which the last two in the size that is worn.
        (
            [
                ("adult T2 W1", "a", "tight"),
                ("adult T2 W2", "b", "tight"),
                ("adult T2 W2", "b", "tight low"),
                ("adult T2 W2", "b", "tight"),
            ],
            {"above": {"wide": 0}, "item": "b", "items_left": {"a"}, "seated_before": 2, "without_success": 3},
        ),
        (
            [("adult T2 W2", "a", "tight"), ("adult T2 W2", "b", "tight")],
            {"item": "b", "items_left": {"a"}, "without_success": 1},
        ),
        (
            [("adult T2 W2", None, "tight"), ("adult T2 W2", "b", "low")],
            {"item": "b"},
        ),
        ([("adult T2 W2", "a", ""), ("adult T2 W2", "b", "low")], {"item": "b"}),
        ([("adult T2 W2", "a", "low"), ("adult T2 W2", None, "low")], {"items_left": {"a"}, "without_success": 1}),
        (
            [("adult T2 W2", None, "tight"), ("adult T2 W2", None, ""), ("adult T2 W2", None, "tight")],
            {},
        ),
    ],
)
def test_where_a_fitting_stands_follows_from_its_checks(checks, expected):
    attempts = [worn(size, *found.split(), item=item) for size, item, found in checks]
    last = attempts.pop()
    expected = {"item": None, "items_left": set(), "seated_before": 0, "without_success": 0, **expected}
    now = standing(SMALL, FitCheck(**last.model_dump(), history=tuple(attempts)))
    assert now.worn == read_size_class(SMALL, last.size)
    assert now.above == {**START, **expected.pop("above", {})}
    assert now.below == {**END, **expected.pop("below", {})}
    assert {name: getattr(now, name) for name in expected} == expected


def test_a_value_that_was_left_bounds_its_axis_and_is_not_allowed_itself():
    now = standing(SMALL, FitCheck(size="adult T2 W2", history=(worn("adult T1 W4", "low"),)))
    assert [now.allows("tall", rank) for rank in range(4)] == [False, True, True, True]
    assert [now.allows("wide", rank) for rank in range(4)] == [True, True, True, False]


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
