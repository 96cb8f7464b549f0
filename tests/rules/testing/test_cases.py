"""The shipped worked cases hold, and a case that is wrong, or wrongly written, is told exactly."""

import pytest

from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.loading.yaml_reader import YamlFile
from rules.testing.cases import load_cases, read_cases, run_case
from tests.shipped_content import RULESET

CASES = load_cases(RULESET)


@pytest.fixture(scope="module")
def decider() -> Decider:
    return Decider(RULESET)


def read(text: str):
    return read_cases(RULESET, [YamlFile("cases/here.yaml", text)])


def problems_of(text: str) -> list[str]:
    with pytest.raises(KnowledgeError) as caught:
        read(text)
    return str(caught.value).splitlines()


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_shipped_case(case, decider):
    result = run_case(decider, case)
    assert result.passed, result.describe()


WRONG_ON_EVERY_COUNT = """
cases:
  - name: all-wrong
    shows: each kind of expectation
    source: none
    facts: {age_years: 44, neck_height_mm: 66, neck_circumference_mm: 380, neck_swelling: true, weight_kg: 80, height_cm: 180}
    fires: [sizing.line.infant]
    silent: [sizing.line.adult]
    expect:
      size: none
      candidates: [adult H1 G1]
      height_band: H1
      confidence: measured
      settled: true
      holds: [no such hold]
      tasks:
        remeasure_neck: {within_hours: 5, people: 7, performer: nurse, on: [new_symptom], details: [no such detail],
                         every_hours: 1, times_per_day: 2, for_days: 3}
        refer_orthotist: {}
      no_tasks: [measure_neck, remeasure_neck]
      cautions: [no such caution]
      no_cautions: [swollen]
      concludes: {body_mass_index: 30, minor: true, circumference_trusted: false}
      measure_next: [age_years]
      instructions: [about]
"""


def test_every_kind_of_expectation_can_fail(decider):
    (case,) = read(WRONG_ON_EVERY_COUNT)
    found = {str(difference) for difference in run_case(decider, case).differences}
    for expected in (
        "rule sizing.line.infant: expected fires, actual silent",
        "rule sizing.line.adult: expected silent, actual fires",
        "size: expected none, actual adult H3 G2",
        "candidates: expected adult H1 G1, actual adult H3 G2",
        "height_band: expected H1, actual H3",
        "confidence: expected measured, actual assumed",
        "settled: expected true, actual false",
        "hold: expected one with 'no such hold', actual nothing",
        "task remeasure_neck, within_hours: expected 5, actual 24",
        "task remeasure_neck, people: expected 7, actual 2",
        "task remeasure_neck, performer: expected nurse, actual fitter",
        "task remeasure_neck, detail: expected one with 'no such detail', actual nothing",
        "task remeasure_neck, on: expected new_symptom, actual after_swelling_settles",
        "task remeasure_neck, every_hours: expected 1, actual unknown",
        "task remeasure_neck, times_per_day: expected 2, actual unknown",
        "task remeasure_neck, for_days: expected 3, actual unknown",
        "concluded body_mass_index: expected 30, actual 24.6914",
        "concluded minor: expected true, actual false",
    ):
        assert expected in found
    starts = [difference.split(":")[0] for difference in found]
    assert starts.count("task refer_orthotist") == 1
    assert starts.count("task remeasure_neck") == 1
    assert starts.count("caution") == 2
    assert starts.count("measure next") == 1
    assert starts.count("instruction about") == 1
    assert "concluded circumference_trusted" not in starts


def test_instructions_that_should_or_should_not_be_given(decider):
    (case,) = read(
        """
cases:
  - name: at-home
    shows: instructions
    source: none
    facts: {age_years: 44, collar_in_place: true, setting: home, removal_for_care_allowed: true}
    expect: {instructions: [about, wash_with_helper, wash_closed], no_instructions: [skin, for_parents]}
"""
    )
    found = [str(difference).split(",")[0] for difference in run_case(decider, case).differences]
    assert found == [
        "instruction wash_closed: expected given",
        "instruction skin: expected not given",
    ]


def test_a_failing_case_shows_expected_actual_and_the_trace(decider):
    (case,) = read(WRONG_ON_EVERY_COUNT)
    text = run_case(decider, case).describe()
    assert text.startswith("cases/here.yaml:3: cases.0.name: all-wrong")
    assert "sizing.line.adult: age_years >= 18 (adult_from_years)" in text


def entry(**keys: str) -> str:
    whole = {"name": "a", "shows": "b", "source": "c", "facts": "{age_years: 3}", "fires": "[sizing.line.young_child]"}
    whole.update(keys)
    return "cases:\n  - " + "\n    ".join(f"{key}: {value}" for key, value in whole.items() if value)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (entry(facts="{age_year: 3}"), "cases/here.yaml:5: cases.0.facts.age_year: 3: no fact of this name; did you mean"),
        (entry(facts="{age_years: 300}"), "cases/here.yaml:5: cases.0.facts.age_years: 300: implausible"),
        (entry(fires="[sizing.line.old]"), "cases/here.yaml:6: cases.0.fires.0: no rule called 'sizing.line.old'"),
        (entry(silent="[sizing.line.young_child]"), "cases/here.yaml:7: cases.0.silent: also listed under fires"),
        (entry(fires=""), "cases/here.yaml:2: cases.0: nothing is expected"),
        (entry(name="Not A Name"), "cases/here.yaml:2: cases.0.name: String should match pattern"),
        (entry(shows=""), "cases/here.yaml:2: cases.0.shows: this key is missing"),
        (entry(expect="{sise: none}"), "cases/here.yaml:7: cases.0.expect.sise: no key of this name is expected here"),
        (entry(expect="{size: adult H3}"), "cases/here.yaml:7: cases.0.expect.size: 'adult H3' is not a size class"),
        (entry(expect="{line: elder}"), "cases/here.yaml:7: cases.0.expect.line: 'elder' is not a value of this axis"),
        (entry(expect="{tasks: {dance: {}}}"), "cases/here.yaml:7: cases.0.expect.tasks.dance: no task called 'dance'"),
        (entry(expect="{tasks: {measure_neck: {hour: 1}}}"), "cases/here.yaml:7: cases.0.expect.tasks.measure_neck.hour: no key"),
        (entry(expect="{assessments: {minor: true}}"), "cases/here.yaml:7: cases.0.expect.assessments.minor: minor is not"),
        (entry() + "\n" + entry().removeprefix("cases:\n"), "a case called a already stands in cases/here.yaml:2"),
        ("case: []", "cases/here.yaml:1: expected one key at the top, cases"),
    ],
)  # fmt: skip
def test_a_wrongly_written_case_is_told_with_its_place(text, expected):
    assert any(expected in problem for problem in problems_of(text)), problems_of(text)
