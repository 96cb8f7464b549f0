"""Coverage and mutation of the small ruleset: what a case leaves untouched is named, with its line."""

import pytest

from rules.loading.loader import build_ruleset
from rules.loading.source_map import SourceMap
from rules.loading.yaml_reader import YamlFile
from rules.testing.cases import load_cases, read_cases
from rules.testing.coverage import measure
from rules.testing.mutation import WANTED_SCORE, mutants, mutate
from rules.verification.mutant_witness import tell_apart
from tests.rules.small import FRAME, small_source
from tests.shipped_content import RULESET

BELOW = "height_mm < 63 (edge_mm + margin_mm)"
BOTH_OR_ONE = "(weight_kg is known and length_cm is known) becomes (weight_kg is known or length_cm is known)"

LOOK = """
cases:
  - name: asleep
    shows: a sleeper is looked at often
    source: none
    facts: {asleep: true}
    fires: [small.look, small.look_often]
    silent: [small.look_score]
    expect: {tasks: {look: {every_hours: 4, within_hours: 1}}}
  - name: awake
    shows: a waking person is looked at less often
    source: none
    facts: {asleep: false}
    silent: [small.look_often]
    expect: {tasks: {look: {every_hours: 8}}, instructions: [about]}
"""


@pytest.fixture(scope="module")
def small():
    source = small_source()
    frame = YamlFile("frame.yaml", FRAME)
    return build_ruleset([frame, source]), SourceMap([frame, source])


def cases(ruleset, text):
    return read_cases(ruleset, [YamlFile("cases/here.yaml", text)])


def test_rule_coverage_names_what_is_missing(small):
    ruleset, written = small
    coverage = measure(ruleset, cases(ruleset, LOOK), written)
    found = {rule.rule: rule for rule in coverage.rules}
    assert found["small.look_often"].missing == ()
    assert found["small.look_often"].near == ("awake",)
    assert found["small.look"].missing == ()  # its condition is `always`: there is no near miss
    assert found["small.look_score"].missing == ("no case names it under fires",)
    assert found["small.a"].missing == ("no case names it under fires", "no case names it under silent")
    assert found["small.look"].seen == 2
    assert not coverage.complete


def test_a_comparison_is_decisive_where_the_rule_would_do_otherwise_without_it(small):
    ruleset, written = small
    text = """
cases:
  - {name: a, shows: b, source: c, facts: {weight_kg: 80, length_cm: 180}, fires: [small.index]}
  - {name: d, shows: b, source: c, facts: {weight_kg: 80}, silent: [small.index]}
"""
    found = {(one.rule, one.text): one for one in measure(ruleset, cases(ruleset, text), written).comparisons}
    weight, length = found["small.index", "weight_kg is known"], found["small.index", "length_cm is known"]
    assert (weight.held, weight.blocked) == (1, 0)
    assert (length.held, length.blocked) == (1, 1)
    assert weight.missing == ("never the one that keeps the rule silent",)
    assert str(weight.place).startswith("small.yaml:2: rules.0.when.all.0")


def test_every_kind_of_mutant_is_made(small):
    ruleset, written = small
    made = [(mutant.rule.id, mutant.kind, mutant.what) for mutant in mutants(ruleset, written)]
    assert ("small.a", "threshold up", f"{BELOW} becomes height_mm < 64.26") in made
    assert ("small.a", "threshold down", f"{BELOW} becomes height_mm < 61.74") in made
    assert ("small.a", "comparison flipped", f"{BELOW} becomes height_mm >= 63 (edge_mm + margin_mm)") in made
    assert ("small.look_score", "threshold up", "score <= 12 becomes score <= 13") in made
    assert ("small.index", "condition dropped", "without weight_kg is known") in made
    assert ("small.index", "all and any swapped", BOTH_OR_ONE) in made
    assert ("small.girth_unknown", "comparison flipped", "small is unknown becomes small is known") in made
    assert ("small.a", "size moved", "band A becomes B") in made
    assert ("small.h", "size moved", "girth H becomes G") in made
    assert ("small.look_often", "timing changed", "task look: every_hours 4 becomes 8") in made
    assert ("small.look_often", "timing changed", "task look: within_hours 1 becomes 2") in made
    assert ("small.small", "conclusion changed", "concludes False for small") in made
    assert ("small.index", "conclusion changed", "concludes a larger value for index") in made
    assert ("small.danger", "effect dropped", "no hold") in made
    assert ("small.danger", "effect dropped", "no caution") in made
    assert ("small.look", "effect dropped", "no task look") in made
    assert ("small.look", "effect dropped", "no about") in made


def test_a_survivor_is_named_with_its_line_and_a_killed_mutant_is_not(small):
    ruleset, written = small
    report = mutate(ruleset, cases(ruleset, LOOK), written)
    survivors = {(mutant.rule.id, mutant.what): mutant for mutant in report.survivors}
    assert ("small.look_often", "task look: every_hours 4 becomes 8") not in survivors
    assert ("small.look_often", "asleep is true becomes asleep is not true") not in survivors
    assert ("small.look", "no task look") not in survivors
    assert ("small.look", "no about") not in survivors
    moved = survivors["small.a", "band A becomes B"]
    assert (moved.place.file, ruleset.rules["small.a"].place.line + 1) == ("small.yaml", moved.place.line)
    assert report.total == sum(report.made.values()) > len(survivors) > 0
    assert report.score == pytest.approx(1 - len(report.survivors) / report.total)
    assert report.failing == ()


def test_a_case_that_fails_anyway_takes_no_part(small):
    ruleset, written = small
    report = mutate(ruleset, cases(ruleset, LOOK.replace("every_hours: 8", "every_hours: 7")), written)
    assert report.failing == ("awake",)


def test_a_survivor_comes_with_a_patient_who_tells_it_apart_or_with_the_proof_that_there_is_none(small):
    ruleset, written = small
    report = mutate(ruleset, (), written)
    assert report.score == 0
    told = {(found.mutant.rule.id, found.mutant.what): found for found in tell_apart(ruleset, report.survivors)}
    score = told["small.look_score", "score <= 12 becomes score <= 13"]
    assert score.patient == {"score": 13}
    assert told["small.look_often", "task look: every_hours 4 becomes 8"].patient == {"asleep": True}
    assert not any(found.same for found in told.values())


@pytest.fixture(scope="module")
def shipped():
    return RULESET, load_cases(RULESET), SourceMap.read()


def test_the_shipped_cases_cover_every_rule_and_every_comparison(shipped):
    coverage = measure(*shipped)
    assert {rule.rule: rule.missing for rule in coverage.rules if rule.missing} == {}
    assert {(one.rule, one.text): one.missing for one in coverage.comparisons if one.missing} == {}


@pytest.mark.slow
def test_the_shipped_cases_notice_nearly_every_mutant_of_a_sample(shipped):
    """A fifth, another with each content; ``nuque rules mutate`` makes all, which have to reach 99.5 %."""
    report = mutate(*shipped, one_in=5)
    assert report.failing == () and report.total > 1_500
    assert report.score >= WANTED_SCORE - 0.005, [f"{one.place}: {one.kind}: {one.what}" for one in report.survivors]
    lost = [one for one in report.survivors if one.what.startswith(("no task", "no caution", "no hold"))]
    assert [f"{one.mutant.place}: {one.mutant.what}" for one in tell_apart(shipped[0], lost) if not one.same] == []


def test_a_sample_is_the_same_each_time_and_says_of_its_mutants_what_the_whole_does(small):
    ruleset, written = small
    whole = mutate(ruleset, cases(ruleset, LOOK), written)
    sampled = mutate(ruleset, cases(ruleset, LOOK), written, one_in=3)
    assert sampled == mutate(ruleset, cases(ruleset, LOOK), written, one_in=3)
    assert 0 < sampled.total < whole.total and 0 < len(sampled.survivors) < len(whole.survivors)
    assert [one for one in whole.survivors if one in sampled.survivors] == list(sampled.survivors)


def test_a_request_that_another_rule_makes_as_early_is_no_mutant_and_one_that_adds_to_it_is():
    """A bare deadline beside an earlier one, and what joins a task that nobody asks for, leave when, who and how as they are."""
    frame = YamlFile("frame.yaml", FRAME)
    source = small_source(
        adding="""
    - {id: small.soon, title: x, when: {known: score}, because: b, sources: [s], then: {tasks: {task: look, within_hours: 1}}}
    - {id: small.late, title: x, when: {fact: score, at_least: 7}, because: b, sources: [s],
       then: {tasks: {task: look, within_hours: 2}}}
    - {id: small.alone, title: x, when: {fact: asleep, is: true}, because: b, sources: [s],
       then: {tasks: {task: look, within_hours: 0}}}
    """
    )
    ruleset = build_ruleset([frame, source])
    survivors = mutate(ruleset, (), SourceMap([frame, source])).survivors
    told = {(found.mutant.rule.id, found.mutant.what): found for found in tell_apart(ruleset, survivors)}
    assert told["small.late", "no task look"].same
    assert told["small.late", "task look: within_hours 2 becomes 4"].same
    assert not told["small.alone", "no task look"].same
    assert told["small.alone", "no task look"].patient == {"asleep": True}


def test_a_mutant_that_changes_nothing_is_proved_to_be_none():
    frame = YamlFile("frame.yaml", FRAME)
    twice = """
    - {id: small.x, title: x, when: {all: [{known: score}, {fact: score, at_least: 7}]}, because: b, sources: [s],
       then: {tasks: {task: look}}}
    """
    source = small_source(adding=twice)
    ruleset = build_ruleset([frame, source])
    survivors = mutate(ruleset, (), SourceMap([frame, source])).survivors
    told = {(found.mutant.rule.id, found.mutant.what): found for found in tell_apart(ruleset, survivors)}
    assert told["small.x", "without score is known"].same
    assert not told["small.x", "without score >= 7"].same
