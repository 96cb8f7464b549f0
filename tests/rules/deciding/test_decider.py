"""The whole decision: merged tasks and cautions, trace, refusals, local values, and that every sentence has a rule."""

from __future__ import annotations

from datetime import UTC, datetime
from math import erf, sqrt

import pytest
from hypothesis import given, settings

from rules.deciding.decider import Decider
from rules.errors import FactError
from rules.evaluation.information_gain import Sizer
from rules.evaluation.interpreter import Plain
from rules.loading.loader import build_ruleset, load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import NotUsed
from rules.model.facts import RecordedFact
from tests.rules.loading.test_loader import BASE
from tests.rules.patients import patients
from tests.rules.small_deciding import deciding_ruleset
from tests.shipped_content import RULESET

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
DECIDER = Decider(RULESET)


@settings(max_examples=200)
@given(patients(RULESET))
def test_every_part_names_its_rules_and_every_rule_its_sources(facts):
    decision = DECIDER.decide(facts, AT)
    known = {entry.rule for entry in decision.trace}
    parts = [*decision.axes.values(), *decision.cautions, *decision.tasks, *decision.holds]
    assert decision.axes and decision.trace
    assert decision.tasks or decision.holds
    for part in parts:
        assert part.rules
        assert set(part.rules) <= known
    for entry in decision.trace:
        assert entry.evidence
        assert entry.because
        assert set(entry.sources) <= decision.sources.keys()


@settings(max_examples=100)
@given(patients(RULESET))
def test_a_size_is_given_exactly_where_nothing_withholds_it(facts):
    decision = DECIDER.decide(facts, AT)
    assert (decision.size_class is None) == bool(decision.holds)
    assert (decision.confidence is None) == (decision.size_class is None)
    assert (decision.size_class is None) == (not decision.candidates)


@settings(max_examples=100)
@given(patients(RULESET))
def test_the_json_form_holds_nothing_null_and_nothing_empty(facts):
    def check(value):
        assert value not in (None, "", [], {})
        for item in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
            check(item)

    check(DECIDER.decide(facts, AT).as_json())


def test_the_moment_needs_a_time_zone():
    with pytest.raises(ValueError, match="time zone"):
        DECIDER.decide({}, datetime(2026, 1, 31, 10))


def test_a_bad_fact_is_refused():
    with pytest.raises(FactError, match="neck_circumference_mm"):
        DECIDER.decide({"neck_circumference_mm": 5}, AT)


def test_a_fact_given_twice_is_refused():
    twice = [RecordedFact(name="age_years", value=4), RecordedFact(name="age_years", value=40)]
    with pytest.raises(ValueError, match="age_years"):
        DECIDER.decide(twice, AT)


def test_the_trace_names_the_comparison_and_the_record_behind_it():
    facts = [RecordedFact(name="neck_height_mm", value=67, reference="Observation/h1", original="6.7 cm")]
    trace = {entry.rule: entry for entry in DECIDER.decide(facts, AT).trace}
    compared = trace["sizing.height.measured_h3"].comparisons[0]
    assert (compared.fact, compared.value, compared.reference) == ("neck_height_mm", 67, "Observation/h1")


def test_a_value_that_another_rule_concluded_is_traced_to_that_rule():
    trace = {entry.rule: entry for entry in DECIDER.decide({"age_years": 5}, AT).trace}
    compared = trace["sizing.girth.stand_in_minor"].comparisons[0]
    assert (compared.fact, compared.reference) == ("collar_line", "sizing.line.young_child")


def test_what_the_caller_refused_is_carried_along():
    refused = NotUsed(fact="neck_height_mm", value="7", kind="unit", reason="no unit", reference="Observation/x")
    assert DECIDER.decide({}, AT, [refused]).not_used == (refused,)


def test_an_implausible_conclusion_is_not_drawn_and_is_listed():
    decision = DECIDER.decide({"weight_kg": 200, "height_cm": 60}, AT)
    (refused,) = [entry for entry in decision.not_used if entry.fact == "body_mass_index"]
    assert "implausible" in refused.reason


def test_a_recorded_value_stands_above_one_that_could_be_worked_out():
    decision = DECIDER.decide({"age_years": 40, "weight_kg": 150, "height_cm": 170, "body_mass_index": 25}, AT)
    assert "sizing.girth.stand_in_obesity" not in {entry.rule for entry in decision.trace}


def test_contradicting_observations_are_both_shown_and_the_measurement_wins():
    decision = DECIDER.decide({"age_years": 40, "habitus": "slight", "neck_circumference_mm": 500}, AT)
    assert decision.axes["girth_band"].value == "G3"
    assert any("slight" in caution.text for caution in decision.cautions)
    assert {"habitus", "neck_circumference_mm"} <= {fact.name for fact in decision.facts}


def test_a_fact_that_is_no_longer_used_is_listed_with_what_to_record_instead():
    decision = DECIDER.decide({"age_years": 40, "neck_form": "short_broad"}, AT)
    (listed,) = decision.not_used
    assert (listed.fact, listed.value, listed.kind) == ("neck_form", "short_broad", "retired")
    assert listed.reason == "no longer used; record chin_to_shoulder_look and habitus instead"
    without = DECIDER.decide({"age_years": 40}, AT)
    assert decision.model_copy(update={"not_used": ()}) == without


TASKS = """
rules:
  - id: small.often
    title: Often
    when: {fact: lying, is: true}
    then: {tasks: {task: look, every_hours: 4, detail: Look at the back of the head.}}
    because: Lying.
    sources: [study]
  - id: small.soon
    title: Soon
    when: {known: girth}
    then: {tasks: {task: look, times_per_day: 2, within_hours: 1, people: 2, on: [move]}}
    because: Measured.
    sources: [habit]
"""


def test_one_task_from_several_rules_takes_the_strictest_timing_and_every_reason():
    decider = Decider(build_ruleset([YamlFile("base.yaml", BASE), YamlFile("small.yaml", TASKS)]))
    (task,) = decider.decide({"lying": True, "girth": 300}, AT).tasks
    assert (task.timing.every_hours, task.timing.within_hours, task.timing.on) == (4, 1, ("move",))
    assert task.people == 2
    assert task.reasons == ("Lying.", "Measured.")
    assert task.rules == ("small.often", "small.soon")
    assert task.details == ("Look at the back of the head.",)
    assert task.timing_words == "every 4 hours, first within 1 hour, at each move"


def test_a_local_value_is_named_in_the_decision(tmp_path):
    overlay = tmp_path / "site.yaml"
    overlay.write_text("site: {name: X}\nparameters: {finger_width_mm: {value: 18, because: Measured here.}}\n")
    decision = Decider(load_ruleset(overlays=[overlay])).decide({"age_years": 40, "neck_height_fingers": 3}, AT)
    used = [entry.rule for entry in decision.trace if "finger_width_mm" in entry.local_parameters]
    assert used == ["sizing.derive.fingers"]
    (change,) = decision.local_changes
    assert (change.name, change.default, change.value) == ("finger_width_mm", 19, 18)


def test_the_decision_names_its_rules_by_version_and_hash():
    identity = DECIDER.decide({}, AT).ruleset
    assert (identity.name, identity.version, identity.hash) == (RULESET.name, RULESET.version, RULESET.hash)


# --- a whole decision, by a small ruleset that uses every part ---------------------------------------------------------

SMALL = deciding_ruleset()
OLD_LYING_BLEEDING = [
    RecordedFact(name="age_years", value=84, reference="Patient/1"),
    RecordedFact(name="lying", value=True, reference="Observation/2"),
    RecordedFact(name="weight_kg", value=70),
    RecordedFact(name="bleeding", value=True),
    RecordedFact(name="threat", value=True),
    RecordedFact(name="collar_hours", value=4.5),
]
WRITTEN = {
    "settled": True,
    "axes": {
        "line": {"axis": "line", "settled": True, "rules": ["small.adult", "small.threat", "small.bleeding"]},
        "girth": {"axis": "girth", "settled": False, "rules": ["small.g_est", "small.threat", "small.bleeding"]},
        "pose": {"axis": "pose", "settled": True, "rules": ["small.flat", "small.threat", "small.bleeding"]},
    },
    "holds": [
        {
            "kind": "do_not_size",
            "summary": "Threat: call.",
            "text": "Threat: call now and fit nothing.",
            "rules": ["small.threat", "small.bleeding"],
        }
    ],
    "ask": [{"fact": "swollen", "label": "swollen", "ask": "swollen", "danger": False, "rules": ["small.ask"]}],
    "cautions": [
        {
            "severity": "critical",
            "summary": "Threat: call.",
            "text": "Threat: call now and fit nothing.",
            "rules": ["small.threat", "small.bleeding"],
            "leads": False,
        },
        {
            "severity": "warning",
            "summary": "Blood: look often.",
            "text": "Blood: look often.",
            "rules": ["small.bleeding"],
            "leads": True,
        },
        {
            "severity": "warning",
            "summary": "Skin: turn.",
            "text": "Skin: turn.",
            "rules": ["small.lying"],
            "leads": False,
        },
        {
            "severity": "warning",
            "summary": "Blood: wash.",
            "text": "Blood: wash.",
            "rules": ["small.bleeding"],
            "leads": False,
        },
        {
            "severity": "warning",
            "summary": "Skin: look soon.",
            "text": "Skin: look soon.",
            "rules": ["small.old"],
            "leads": False,
        },
        {"severity": "info", "summary": "Lying.", "text": "Lying.", "rules": ["small.lying"], "leads": False},
        {"severity": "info", "summary": "Old.", "text": "Old.", "rules": ["small.old"], "leads": False},
    ],
    "tasks": [
        {
            "task": "call",
            "title": "Call",
            "instruction": "Call.",
            "request": "order",
            "timing": {"within_hours": 0.0},
            "timing_words": "now",
            "begins": "now",
            "performer": "doctor",
            "performer_words": "a doctor",
            "people": 1,
            "location": "at the desk",
            "outcome": "Heard.",
            "reasons": ["It goes first."],
            "rules": ["small.threat"],
        },
        {
            "task": "turn",
            "title": "Turn",
            "instruction": "Turn.",
            "details": ["To the other side.", "With a sheet.", "Say so."],
            "request": "activity",
            "timing": {"every_hours": 4.0, "within_hours": 1.5, "within_wear_hours": 6.0},
            "timing_words": "every 4 hours, first within 1.5 hours (by 6 hours of wear)",
            "begins": "first within 1.5 hours (by 6 hours of wear)",
            "performer": "nurse",
            "performer_words": "a nurse",
            "people": 5,
            "hands": ["holds the head", "rolls (2 people)"],
            "reasons": ["Lying presses.", "Joined."],
            "rules": ["small.lying", "small.join"],
        },
        {
            "task": "look",
            "title": "Look",
            "instruction": "Look.",
            "details": ["Look for blood."],
            "request": "activity",
            "timing": {"every_hours": 1.0, "within_hours": 2.0, "on": ["before"]},
            "timing_words": "every hour, first within 2 hours, before it",
            "begins": "first within 2 hours",
            "performer": "nurse",
            "performer_words": "a nurse",
            "people": 1,
            "reasons": ["Blood hides.", "Old skin."],
            "rules": ["small.bleeding", "small.old"],
        },
    ],
    "instructions": [
        {"instruction": "wear", "rules": ["small.lying", "small.old"]},
        {"instruction": "rest", "rules": ["small.lying"]},
    ],
    "leaflets": [
        {
            "language": "de",
            "title": "Worte",
            "notice": "erfunden",
            "sections": [
                {"instruction": "wear", "title": "Tragen", "lines": ["Tragen Sie es."]},
                {"instruction": "rest", "title": "Ruhen", "lines": ["Ruhen."]},
            ],
        },
        {
            "language": "en",
            "title": "Words",
            "notice": "invented",
            "sections": [
                {"instruction": "wear", "title": "Wear", "lines": ["Wear it.", "Day and night."]},
                {"instruction": "rest", "title": "Rest", "lines": ["Rest."]},
            ],
        },
    ],
    "assessments": [{"fact": "grade", "label": "grade", "value": "high", "rules": ["small.grade"]}],
    "sources": {"p": "Somebody, 2001", "s": "a local default"},
    "disclaimer": "nothing of this is for patients",
}


@pytest.fixture(scope="module")
def small() -> Decider:
    return Decider(SMALL)


def test_a_decision_is_written_out_in_full(small):
    written = small.decide(OLD_LYING_BLEEDING, AT).as_json()
    assert written.pop("at") == "2026-01-31T10:00:00Z"
    assert written.pop("ruleset") == {"name": "deciding", "version": "2.0.0", "hash": SMALL.hash}
    assert written.pop("facts") == [fact.model_dump(mode="json", exclude_none=True) for fact in OLD_LYING_BLEEDING]
    assert [entry["rule"] for entry in written.pop("trace")] == list(small.decide(OLD_LYING_BLEEDING, AT).fired)
    assert written == WRITTEN


LYING = {"text": "lying is true", "fact": "lying", "value": True, "reference": "Observation/2"}
WEIGHT = {"text": "weight_kg is known", "fact": "weight_kg", "value": 70}


def test_the_trace_tells_of_each_rule_what_it_rested_on_and_concluded(small):
    decision = small.decide(OLD_LYING_BLEEDING, AT)
    entries = {entry["rule"]: entry for entry in decision.as_json()["trace"]}
    alike = {"evidence": ["local_default"], "sources": ["s"], "local": False}
    assert {
        name: entries[name] for name in ("small.grade", "small.estimate", "small.adult", "small.g_est", "small.line")
    } == {
        "small.grade": {
            **alike,
            "rule": "small.grade",
            "title": "grade",
            "because": "Lying.",
            "comparisons": [LYING, {**WEIGHT, "text": "weight_kg >= 50"}],
            "concluded": {"grade": "high"},
        },
        "small.estimate": {
            "rule": "small.estimate",
            "title": "estimate",
            "because": "Heavier is wider.",
            "sources": ["p"],
            "evidence": ["published"],
            "comparisons": [WEIGHT],
            "concluded": {"mean_mm": 350.0, "spread_mm": 30},
            "local": False,
        },
        "small.adult": {
            "rule": "small.adult",
            "title": "adult",
            "because": "Old enough.",
            "sources": ["p", "s"],
            "evidence": ["published", "local_default"],
            "comparisons": [
                {"text": "age_years >= 12 (old_years)", "fact": "age_years", "value": 84, "reference": "Patient/1"}
            ],
            "local": False,
        },
        "small.g_est": {
            "rule": "small.g_est",
            "title": "estimated",
            "because": "Estimated.",
            "sources": ["p"],
            "evidence": ["published"],
            "comparisons": [{"text": "mean_mm > 0", "fact": "mean_mm", "value": 350.0, "reference": "small.estimate"}],
            "local": False,
        },
        "small.line": {**alike, "rule": "small.line", "title": "line", "because": "Most are."},
    }
    assert decision.records(["small.grade", "small.adult", "small.g_est"]) == {"Observation/2": None, "Patient/1": None}


def test_what_was_recorded_stands_above_what_a_rule_would_conclude(small):
    """And the trace says that the rule concluded the rest only."""
    given = [
        RecordedFact(name="weight_kg", value=70),
        RecordedFact(name="mean_mm", value=500, reference="Observation/9"),
    ]
    decision = small.decide(given, AT)
    (estimate, used) = decision.traced(["small.g_est", "small.estimate"])
    assert estimate.concluded == {"spread_mm": 30}
    assert [(one.value, one.reference) for one in used.comparisons] == [(500, "Observation/9")]


def normal_share(low, high):
    """Of a normal distribution about 350 mm with a deviation of 30 mm, from the error function, to two digits."""
    below = [(1 + erf((edge - 350) / (30 * sqrt(2)))) / 2 for edge in (low, high)]
    return round(below[1] - below[0], 2)


def test_an_estimated_dimension_is_tried_as_its_rule_says_each_with_its_share(small):
    decision = small.decide({"weight_kg": 70}, AT)
    shares = {"G2": normal_share(330, 400), "G1": normal_share(-9999, 330), "G3": normal_share(400, 9999)}
    assert shares == {"G2": 0.7, "G1": 0.25, "G3": 0.05}
    assert decision.axes["girth"].probabilities == shares
    assert decision.axes["girth"].candidates == ("G2", "G1", "G3")
    assert {name: axis.probabilities for name, axis in decision.axes.items() if name != "girth"} == {
        "line": {},
        "pose": {},
    }
    such = "such people have this circumference"
    assert [(each.size_class.code, each.probability, each.why) for each in decision.candidates] == [
        (
            "adult G2",
            0.7,
            f"the most probable of the neighbouring sizes: try it first; about 70 of 100 {such}",
        ),
        ("adult G1", 0.25, f"if the first does not fit: girth 1 step down; about 25 of 100 {such}"),
        ("adult G3", 0.05, f"if the first does not fit: girth 1 step up; about 5 of 100 {such}"),
    ]


@pytest.mark.parametrize(
    ("weight", "shares"),
    [
        (40, ("hardly any", "nearly all", "hardly any")),
        (66, ("about 49 of 100", "about 50 of 100", "about 1 of 100")),
        (52, ("about 1 of 100", "about 99 of 100", "hardly any")),
    ],
)
def test_a_share_is_told_in_words(small, weight, shares):
    told = [candidate.why.rpartition("; ")[2] for candidate in small.decide({"weight_kg": weight}, AT).candidates]
    assert told == [f"{share} such people have this circumference" for share in shares]


def test_the_share_of_a_band_is_told_once_and_stands_beside_each_candidate_of_it(small):
    candidates = small.decide({"weight_kg": 70, "swollen": False}, AT).candidates
    assert [(one.size_class.code, one.probability, one.why.count(" of 100 such")) for one in candidates] == [
        ("adult G2", 0.7, 1),
        ("adult G2 flat", 0.7, 0),
        ("adult G1", 0.25, 1),
        ("adult G1 flat", 0.25, 0),
        ("adult G3", 0.05, 1),
        ("adult G3 flat", 0.05, 0),
    ]
    assert candidates[3].why == "if the first does not fit: girth 1 step down, pose 1 step up"


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        # Of one severity what is due sooner: the skin in two hours, turning in six, or in one of the hours worn.
        ({"age_years": 84, "lying": True}, ["Skin: look soon.", "Skin: turn.", "Old.", "Lying."]),
        ({"age_years": 84, "lying": True, "collar_hours": 5}, ["Skin: turn.", "Skin: look soon.", "Lying.", "Old."]),
        # What is asked for without a deadline goes before that for which nothing is asked.
        (
            {"age_years": 5, "bleeding": True, "lying": True},
            [
                "Threat: call now and fit nothing.",
                "Blood: look often.",
                "Skin: turn.",
                "Blood: wash.",
                "Young.",
                "Lying.",
            ],
        ),
    ],
)
def test_cautions_come_gravest_first_then_what_leads_then_what_is_due(small, facts, said):
    assert [caution.text for caution in small.decide(facts, AT).cautions] == said


def test_where_the_estimate_is_not_used_nothing_is_said_of_shares(small):
    decision = small.decide({"weight_kg": 70, "girth_mm": 350}, AT)
    assert decision.axes["girth"].probabilities == {}
    (only,) = decision.candidates
    assert (only.size_class.code, only.probability) == ("adult G2", None)
    assert only.why == "the only size that fits what is known"


IF_ADULT = "if adult"


@pytest.mark.parametrize(
    ("facts", "codes", "confidence", "axes"),
    [
        (
            {},
            [("adult G1", IF_ADULT), ("adult G2", IF_ADULT)],
            "assumed",
            [
                ("adult", ("adult",), "assumed", False, ("small.line",)),
                ("G1", ("G1", "G2"), "assumed", False, ("small.girth",)),
                ("upright", ("upright",), "assumed", False, ("small.pose",)),
            ],
        ),
        (
            {"age_years": 5, "girth_mm": 300, "lying": True},
            [("young G1 flat", None)],
            "observed",
            [
                ("young", ("young",), "measured", True, ("small.young",)),
                ("G1", ("G1",), "measured", True, ("small.g_low",)),
                ("flat", ("flat",), "observed", True, ("small.flat",)),
            ],
        ),
        # One axis withheld: its candidates too, and the rule that withholds stands beside those that offered.
        (
            {"swollen": True, "girth_mm": 330},
            [],
            None,
            [
                ("adult", ("adult",), "assumed", False, ("small.line",)),
                (None, (), None, True, ("small.g_high", "small.swollen")),
                ("upright", ("upright",), "assumed", False, ("small.pose",)),
            ],
        ),
        (
            {"bleeding": True, "girth_mm": 329.9, "age_years": 12},
            [],
            None,
            [
                (None, (), None, True, ("small.adult", "small.bleeding")),
                (None, (), None, True, ("small.g_low", "small.bleeding")),
                (None, (), None, False, ("small.pose", "small.bleeding")),
            ],
        ),
    ],
)
def test_each_dimension_says_its_value_its_candidates_and_its_rules(small, facts, codes, confidence, axes):
    decision = small.decide(facts, AT)
    found = [(one.size_class.code, one.size_class.condition) for one in decision.candidates]
    assert found == codes
    assert decision.size_class == (decision.candidates[0].size_class if codes else None)
    assert decision.confidence == confidence
    assert list(decision.axes) == ["line", "girth", "pose"]
    assert [
        (axis.value, axis.candidates, axis.confidence, axis.settled, axis.rules) for axis in decision.axes.values()
    ] == axes


def test_a_reason_to_withhold_says_what_it_withholds(small):
    both = small.decide({"swollen": True, "threat": True}, AT)
    assert [hold.model_dump() for hold in both.holds] == [
        {
            "kind": "cannot_size",
            "summary": "Swollen: measure again.",
            "text": "Swollen: measure again.",
            "axis": "girth",
            "rules": ("small.swollen",),
        },
        {
            "kind": "do_not_size",
            "summary": "Threat: call.",
            "text": "Threat: call now and fit nothing.",
            "axis": None,
            "rules": ("small.threat",),
        },
    ]


@pytest.mark.parametrize(
    ("weight", "value"), [(400.0, "2000"), (399.9999, "2000"), (200.5, "1002.5")], ids=["whole", "rounded", "decimal"]
)
def test_a_conclusion_that_cannot_be_is_listed_as_seen_and_refused(small, weight, value):
    (refused,) = small.decide({"weight_kg": weight}, AT).not_used
    assert refused == NotUsed(
        fact="mean_mm", value=value, kind="derived", reason="worked out by small.estimate and implausible"
    )


def test_what_was_refused_before_stands_first_and_a_retired_fact_is_cut_to_a_hundred_characters(small):
    before = NotUsed(fact="girth_mm", value="7", kind="unit", reason="no unit")
    decision = small.decide({"neck_form": "x" * 101, "weight_kg": 400, "age_years": 30}, AT, [before])
    assert decision.not_used[0] == before
    assert decision.not_used[1] == NotUsed(
        fact="neck_form", value="x" * 100, kind="retired", reason="no longer used; record girth_mm instead"
    )
    assert [one.kind for one in decision.not_used] == ["unit", "retired", "derived"]
    assert [fact.name for fact in decision.facts] == ["weight_kg", "age_years"]
    assert small.decide({"neck_form": None}, AT).not_used == ()


def test_a_retired_fact_among_recorded_ones_is_refused_by_name(small):
    with pytest.raises(FactError, match="neck_form"):
        small.decide([RecordedFact(name="neck_form", value="x")], AT)


def test_facts_given_twice_are_all_named(small):
    twice = [
        RecordedFact(name=name, value=1) for name in ("weight_kg", "age_years", "girth_mm", "age_years", "weight_kg")
    ]
    with pytest.raises(ValueError, match="given more than once") as error:
        small.decide(twice, AT)
    assert str(error.value) == "facts given more than once: age_years, weight_kg; choose one value before deciding"


def test_a_moment_without_a_zone_is_refused_with_an_example(small):
    with pytest.raises(ValueError, match="time zone") as error:
        small.decide({}, AT.replace(tzinfo=None))
    assert str(error.value) == "the moment of decision needs a time zone, for example 2026-01-31T10:00:00Z"


@pytest.mark.parametrize(
    ("facts", "value", "missing", "rules"),
    [
        ({"lying": True, "weight_kg": 50}, "high", (), ("small.grade",)),
        ({"lying": True}, None, ("weight_kg",), ()),
        ({"weight_kg": 80}, None, ("lying",), ()),
        ({}, None, ("weight_kg", "lying"), ()),
        ({"weight_kg": 49}, None, (), ()),
    ],
)
def test_what_is_assessed_names_its_value_or_what_is_missing(small, facts, value, missing, rules):
    (assessed,) = small.decide(facts, AT).assessments
    assert (assessed.fact, assessed.label) == ("grade", "grade")
    assert (assessed.value, assessed.missing, assessed.rules) == (value, missing, rules)


@pytest.mark.parametrize(
    ("facts", "asked", "dangers"),
    [
        (
            {},
            [
                ("bleeding", "bleeds", "bleeds", True, ("small.ask",)),
                ("threat", "threat", "a threat", True, ("small.ask",)),
                ("weight_kg", "weight", "Weigh.", False, ("small.ask",)),
                ("age_years", "age", "the age", False, ("small.ask",)),
                ("swollen", "swollen", "swollen", False, ("small.ask",)),
            ],
            ("Not recorded: bleeding, a threat.", ("bleeding", "threat"), ("small.ask",)),
        ),
        # What a rule of higher priority asks for goes before dangers of another.
        (
            {"age_years": 80, "bleeding": False},
            [
                ("weight_kg", "weight", "Weigh.", False, ("small.ask", "small.ask_again")),
                ("collar_hours", "hours worn", "hours worn", False, ("small.ask", "small.ask_again")),
                ("threat", "threat", "a threat", True, ("small.ask",)),
                ("swollen", "swollen", "swollen", False, ("small.ask",)),
                ("lying", "lying", "lying", False, ("small.ask",)),
            ],
            ("Not recorded: a threat.", ("threat",), ("small.ask",)),
        ),
    ],
)
def test_what_is_asked_for_comes_by_priority_then_dangers(small, facts, asked, dangers):
    decision = small.decide(facts, AT)
    assert [(one.fact, one.label, one.ask, one.danger, one.rules) for one in decision.ask] == asked
    missing = decision.dangers_not_recorded
    assert missing is not None
    assert (missing.text, missing.facts, missing.rules) == dangers


def test_a_danger_that_stands_on_record_and_has_to_be_looked_up_is_not_called_unrecorded(small):
    seen = NotUsed(fact="threat", value="?", kind="code", reason="not read", look_up="what the threat is")
    missing = small.decide({}, AT, [seen]).dangers_not_recorded
    assert missing is not None and missing.facts == ("bleeding",)
    unread = seen.model_copy(update={"look_up": None})
    missing = small.decide({}, AT, [unread]).dangers_not_recorded
    assert missing is not None and missing.facts == ("bleeding", "threat")
    assert small.decide({"bleeding": False}, AT, [seen]).dangers_not_recorded is None


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (None, "every 4 hours, first within 6 hours"),
        (1, "every 4 hours, first within 5 hours (by 6 hours of wear)"),
        (6, "every 4 hours, now"),
        (9.5, "every 4 hours, now"),
    ],
)
def test_a_task_that_counts_hours_of_wear_has_what_is_left_of_them(small, hours, words):
    facts = {"lying": True} | ({} if hours is None else {"collar_hours": hours})
    (task,) = small.decide(facts, AT).tasks
    assert (task.task, task.timing_words, task.hands) == ("turn", words, ("holds the head", "rolls (2 people)"))


def test_a_rule_that_only_joins_asks_for_no_task(small):
    decision = small.decide({}, AT)
    assert "small.join" in decision.fired
    assert (decision.tasks, decision.instructions, decision.leaflets) == ((), (), ())


def test_what_a_site_changed_is_marked():
    decision = Decider(deciding_ruleset(at_a_site=True)).decide({"age_years": 14}, AT)
    marked = [(entry.rule, entry.local_parameters, entry.local) for entry in decision.trace]
    assert [each for each in marked if each[1] or each[2]] == [
        ("small.adult", ("old_years",), False),
        ("ours.note", ("old_years",), True),
    ]
    assert [(change.kind, change.name) for change in decision.local_changes] == [
        ("parameter", "old_years"),
        ("added", "ours.note"),
    ]


def test_a_decider_asks_the_evaluator_and_the_prospects_that_it_is_given():
    plain = Plain(SMALL)
    seen = []

    class Noting:
        def fire(self, facts):
            seen.append(dict(facts))
            return plain.fire(facts)

    def prospects(facts, firing):
        seen.append((dict(facts), len(firing.fired)))
        return Sizer(SMALL).prospects(facts, firing)

    decision = Decider(SMALL, Noting(), prospects).decide({"age_years": 5}, AT)
    assert seen == [{"age_years": 5}, ({"age_years": 5}, len(decision.fired))]
    assert decision == Decider(SMALL).decide({"age_years": 5}, AT)


def test_warming_up_decides_once_and_compiles_what_each_rule_compares(monkeypatch):
    decider = Decider(SMALL, Plain(SMALL))
    decided = []
    monkeypatch.setattr(decider, "decide", lambda facts, at: decided.append((facts, at)))
    decider.warm_up()
    assert decided == [({}, datetime(2000, 1, 1, tzinfo=UTC))]
    assert decider._parts.compared.cache_info().currsize == len(SMALL.rules)


def test_a_measurement_that_is_doubted_settles_nothing_until_it_is_repeated() -> None:
    known = {
        "age_years": 44,
        "neck_height_mm": 66,
        "neck_circumference_mm": 380,
        "head_position": "neutral",
        "bed_rest": False,
        "neck_swelling": False,
        "post_operative_dressing": False,
        "suspected_distraction_injury": False,
        "airway_threat": False,
        "halo_in_place": False,
    }
    doubted = {**known, "neck_height_mm": 25}
    assert DECIDER.decide(known, AT).settled
    decision = DECIDER.decide(doubted, AT)
    assert decision.size_class is not None and not decision.settled
    assert DECIDER.decide({**doubted, "neck_measurement_repeated": True}, AT).settled
