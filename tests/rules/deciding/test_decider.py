"""The whole decision: merged tasks and cautions, trace, refusals, local values, and that every sentence has a rule."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings

from rules.deciding.decider import Decider
from rules.errors import FactError
from rules.loading.loader import build_ruleset, load_ruleset
from rules.loading.yaml_reader import YamlFile
from rules.model.decision import NotUsed
from rules.model.facts import RecordedFact
from tests.rules.loading.test_loader import BASE
from tests.rules.patients import patients

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
RULESET = load_ruleset()
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
