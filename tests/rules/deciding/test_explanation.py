"""Why a rule fired or not, down to the observation, and the smallest change that alters the size."""

import pytest

from rules.deciding.explanation import Explainer, Observation, ReasonNode
from rules.errors import FactError
from rules.model.facts import RecordedFact
from tests.rules.small import small_ruleset

RULESET = small_ruleset()


def test_a_rule_that_fired_rests_on_its_observation():
    fact = RecordedFact(name="height_mm", value=50.0, reference="Observation/7", original="5 cm")
    why = Explainer(RULESET, [fact]).why("small.a")
    assert why.fires and why.in_the_way == ()
    assert why.reason.truth is True
    assert why.reason.observation.record == fact
    assert why.reason.observation.value == 50.0


def test_a_fact_that_rules_worked_out_names_the_rule():
    why = Explainer(RULESET, {"form": "slender"}).why("small.girth_small")
    assert why.fires
    assert why.reason.observation.worked_out_by == "small.small"


@pytest.mark.parametrize(
    ("facts", "rule", "expected"),
    [
        ({"height_mm": 80.0}, "small.a", ("height_mm < 63 (edge_mm + margin_mm): it is 80",)),
        ({}, "small.a", ("height_mm < 63 (edge_mm + margin_mm): it is unknown",)),
        ({"weight_kg": 80.0}, "small.index", ("length_cm is known: it is unknown",)),
        ({"form": "slender"}, "small.girth_unknown", ("small is unknown: it is true",)),
        ({"danger": False}, "small.danger", ("danger is true: it is false",)),
    ],
)
def test_why_not(facts, rule, expected):
    why = Explainer(RULESET, facts).why(rule)
    assert not why.fires
    assert why.in_the_way == expected


def test_the_nearest_change_comes_first_and_is_real():
    explainer = Explainer(RULESET, {"height_mm": 70.0, "girth_mm": 390.0, "danger": False})
    changes = explainer.nearest()
    assert [(change.fact, change.to, change.outcome) for change in changes] == [
        ("girth_mm", 400.0, "B H"),
        ("height_mm", 62.9, "A G"),
        ("danger", True, "no size"),
    ]
    assert [round(change.distance, 4) for change in changes] == [0.0125, 0.0364, 1.0]
    for change in changes:
        assert explainer.outcome({**explainer.facts, change.fact: change.to}) == change.outcome != explainer.outcome()


@pytest.mark.parametrize(("height", "nearest", "outcome"), [(105.0, 99.9, "A G"), (135.0, 140.1, "C G")])
def test_of_two_borders_the_nearer_counts(height, nearest, outcome):
    ruleset = small_ruleset(
        without=("small.a", "small.b"),
        adding="""
        - {id: small.x, title: x, when: {fact: height_mm, below: 100}, because: b, sources: [s],
           then: {size: {axis: band, value: A, basis: measured}}}
        - {id: small.y, title: y, when: {all: [{fact: height_mm, at_least: 100}, {fact: height_mm, at_most: 140}]},
           because: b, sources: [s], then: {size: {axis: band, value: B, basis: measured}}}
        - {id: small.z, title: z, when: {fact: height_mm, above: 140}, because: b, sources: [s],
           then: {size: {axis: band, value: C, basis: measured}}}
        """,
    )
    (change,) = [
        c for c in Explainer(ruleset, {"height_mm": height, "girth_mm": 100.0}).nearest() if c.fact == "height_mm"
    ]
    assert (round(change.to, 1), change.outcome) == (nearest, outcome)


def test_a_border_that_rules_compute_is_found_by_narrowing_down():
    """Index 40 at 2 m is 160 kg, index 120 (the most that is plausible) would be 480 kg: there is one border only."""
    explainer = Explainer(RULESET, {"weight_kg": 80.0, "length_cm": 200.0})
    spans = explainer.along("weight_kg")
    assert [(span.low, span.high, span.outcome) for span in spans] == [(1.0, 159.9, "B H"), (160.0, 400.0, "A H")]


def test_a_whole_number_stays_whole():
    ruleset = small_ruleset(
        adding="""
        - {id: small.x, title: x, priority: 9, when: {fact: score, at_most: 12}, because: b, sources: [s],
           then: {size: {axis: girth, value: G, basis: assumed}}}
        """
    )
    (change,) = Explainer(ruleset, {"score": 15}).nearest()
    assert (change.to, type(change.to), change.outcome) == (12, int, "B G")


def test_unusable_facts_are_refused():
    with pytest.raises(FactError, match="height_mm = 5000"):
        Explainer(RULESET, {"height_mm": 5000})


# --- each part, exactly ----------------------------------------------------------------------------------------------

TREE = small_ruleset(
    adding="""
    - {id: small.x, title: x, because: b, sources: [s], then: {caution: {severity: info, text: x}},
       when: {all: [{fact: danger, is: false}, {any: [{fact: asleep, is: true}, {fact: score, at_most: 9}]},
                    {none: [{fact: form, is: broad}, {known: index}]}]}}
    """
)


def leaf(text, truth, fact, value, record=None, worked_out_by=None):
    return ReasonNode(text, truth, Observation(fact, value, record, worked_out_by), ())


def test_the_reason_is_the_tree_of_the_condition_with_what_is_known_of_each_part():
    told = RecordedFact(name="danger", value=False, reference="Observation/1")
    given = [
        told,
        *(RecordedFact(name=n, value=v) for n, v in {"score": 12, "weight_kg": 80.0, "length_cm": 200.0}.items()),
    ]
    why = Explainer(TREE, given).why("small.x")
    assert (why.rule, why.fires) == (TREE.rules["small.x"], False)
    assert why.reason == ReasonNode(
        "all of",
        False,
        None,
        (
            leaf("danger is false", True, "danger", False, told),
            ReasonNode(
                "any of",
                None,
                None,
                (
                    leaf("asleep is true", None, "asleep", None),
                    leaf("score <= 9", False, "score", 12, given[1]),
                ),
            ),
            ReasonNode(
                "none of",
                False,
                None,
                (
                    leaf("form is broad", None, "form", None),
                    leaf("index is known", True, "index", 20.0, worked_out_by="small.index"),
                ),
            ),
        ),
    )
    assert why.in_the_way == (
        "asleep is true: it is unknown",
        "score <= 9: it is 12",
        "form is not broad: it is unknown",
        "index is unknown: it is 20",
    )


def test_a_rule_without_a_condition_fires_always():
    why = Explainer(RULESET, {}).why("small.band")
    assert (why.fires, why.reason, why.in_the_way) == (True, ReasonNode("always", True, None, ()), ())


def test_what_stands_in_the_way_twice_is_told_once():
    twice = """
    - {id: small.x, title: x, because: b, sources: [s], then: {caution: {severity: info, text: x}},
       when: {any: [{all: [{fact: danger, is: true}, {fact: asleep, is: true}]},
                    {all: [{fact: danger, is: true}, {fact: score, at_most: 9}]}]}}
    """
    why = Explainer(small_ruleset(adding=twice), {"asleep": True}).why("small.x")
    assert why.in_the_way == ("danger is true: it is unknown", "score <= 9: it is unknown")


def test_all_that_fired_is_explained_in_the_order_of_evaluation():
    explained = Explainer(RULESET, {"weight_kg": 80.0, "length_cm": 200.0, "score": 12}).fired()
    assert [one.rule.id for one in explained] == [
        "small.index",
        "small.band",
        "small.look",
        "small.look_score",
        "small.girth_unknown",
    ]
    assert all(one.fires and one.reason.truth and one.in_the_way == () for one in explained)


def test_a_rule_that_is_not_there_is_a_key_error():
    with pytest.raises(KeyError):
        Explainer(RULESET, {}).why("small.nothing")


@pytest.mark.parametrize(
    ("facts", "outcome"),
    [
        ({}, "B H"),
        ({"height_mm": 50.0, "girth_mm": 100.0}, "A G"),
        ({"danger": True}, "no size"),
        ({"height_mm": 50.0, "form": "slender"}, "A G"),
    ],
)
def test_the_outcome_is_the_first_size_or_none(facts, outcome):
    assert Explainer(RULESET, facts).outcome() == outcome
    other = Explainer(RULESET, {"height_mm": 100.0})
    assert (other.outcome(facts), other.outcome()) == (outcome, "B H")


@pytest.mark.parametrize(
    ("facts", "name", "spans"),
    [
        ({}, "height_mm", [(5.0, 62.9, "A H"), (63.0, 200.0, "B H")]),
        # A border of two measured offers: below 63 and from 57, of which the smaller goes first.
        ({"girth_mm": 399.5}, "girth_mm", [(100.0, 399.9, "B G"), (400.0, 900.0, "B H")]),
        # 60 mm of 19 mm each: 3.158 fingers; a hundredth is a thousandth of the range.
        ({}, "fingers", [(0.0, 3.15, "A H"), (3.16, 10.0, "B H")]),
        # Where rules compute: index 40 at 180 cm is 129.6 kg, index 120 is 388.8, above which nothing is.
        # Ends are rounded inwards by a thousandth of the range at most.
        ({"length_cm": 180.0}, "weight_kg", [(1.0, 129.5, "B H"), (129.6, 388.8, "A H"), (389.0, 400.0, "B H")]),
        ({"weight_kg": 100.0}, "length_cm", [(30.0, 91.2, "B H"), (91.3, 158.0, "A H"), (158.2, 250.0, "B H")]),
        ({}, "weight_kg", [(1.0, 400.0, "B H")]),
        ({"danger": True}, "height_mm", [(5.0, 200.0, "no size")]),
        ({}, "score", [(6.0, 23.0, "B H")]),
    ],
)
def test_along_a_number_each_stretch_of_one_outcome_has_round_ends(facts, name, spans):
    assert [(span.low, span.high, span.outcome) for span in Explainer(RULESET, facts).along(name)] == spans


def test_whole_numbers_have_whole_borders():
    ruleset = small_ruleset(
        adding="""
        - {id: small.x, title: x, priority: 9, when: {fact: score, at_most: 12}, because: b, sources: [s],
           then: {size: {axis: girth, value: G, basis: assumed}}}
        """
    )
    spans = Explainer(ruleset, {"score": 20}).along("score")
    assert [(span.low, span.high, span.outcome) for span in spans] == [(6.0, 12.0, "B G"), (13.0, 23.0, "B H")]


@pytest.mark.parametrize(
    ("facts", "changes"),
    [
        ({}, []),
        # Widths of the plausible ranges: 195 mm of height, 800 mm of girth, 10 fingers.
        (
            {"height_mm": 61.0, "girth_mm": 390.0, "danger": False, "asleep": True},
            [
                ("height_mm", 61.0, 63.0, 2 / 195, "B G"),
                ("girth_mm", 390.0, 400.0, 10 / 800, "A H"),
                ("danger", False, True, 1.0, "no size"),
            ],
        ),
        ({"height_mm": 65.0}, [("height_mm", 65.0, 62.9, 2.1 / 195, "A H")]),
        ({"fingers": 3.0}, [("fingers", 3.0, 3.16, 0.016, "B H")]),
        (
            {"form": "slender"},
            [("form", "slender", "average", 1.0, "B H"), ("form", "slender", "broad", 1.0, "B H")],
        ),
        ({"form": "broad"}, [("form", "broad", "slender", 1.0, "B G")]),
        ({"danger": True}, [("danger", True, False, 1.0, "B H")]),
        # Which stands in the vocabulary first comes first, where two are as near.
        (
            {"danger": False, "form": "broad"},
            [("form", "broad", "slender", 1.0, "B G"), ("danger", False, True, 1.0, "no size")],
        ),
    ],
)
def test_the_nearest_change_of_each_recorded_fact(facts, changes):
    found = Explainer(RULESET, facts).nearest()
    assert [(one.fact, one.now, one.to, pytest.approx(one.distance), one.outcome) for one in found] == changes


def test_facts_that_cannot_be_used_are_all_named():
    with pytest.raises(FactError) as error:
        Explainer(RULESET, [RecordedFact(name="form", value="round"), RecordedFact(name="score", value=3)])
    assert [problem.fact for problem in error.value.problems] == ["form", "score"]
