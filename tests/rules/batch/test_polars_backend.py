"""The columnar backend on generated rulesets, and what it refuses."""

import json

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rules.batch import polars_backend
from rules.batch.fact_frame import checked_facts, column_type
from rules.batch.polars_backend import Columns
from rules.errors import EngineError, FactError
from rules.evaluation.interpreter import fire
from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from tests.rules.batch.expected_columns import differing, expected_table
from tests.rules.evaluation.test_durable_engine_agreement import HEAD, PATIENTS, TREES
from tests.shipped_content import RULESET

COLUMNS = Columns(RULESET)

MORE = """
facts:
  u: {type: number, range: [-50, 50], label: u, meaning: u, code: u, given: either}
  v: {type: integer, range: [0, 20], label: v, meaning: v, code: v, given: concluded}
  w: {type: boolean, label: w, meaning: w, code: w, given: concluded}
  k: {type: code, values: [one, two, three], label: k, meaning: k, code: k, given: either}
axes:
  width: {title: width, values: [narrow, middle, wide], words: {narrow: narrow, middle: middle, wide: wide}}
  depth: {title: depth, values: [flat, deep], words: {flat: flat, deep: deep}, silent: flat}
hands: {holds: {words: holds}, asks: {words: asks}, turns: {words: turns}}
roles: {nurse: nurse, clinician: clinician}
triggers: {at_night: at night, at_noon: at noon}
tasks:
  look: {title: Look, instruction: Look., request: activity, performer: nurse}
  ask: {title: Ask, instruction: Ask., request: order, performer: clinician, hands: {holds: 1, asks: 1}, kind: care}
"""
EXPRESSIONS = [
    "x * 2 - 1",
    "x / n",
    "n / x",
    "x / 3",
    "(x - 0.1) / (y / 7)",
    "1 / (x - x)",
    "n + 0.5 - 0.5",
    "-x / 10 / 10",
]
DRAWN = st.one_of(
    st.builds(lambda text: {"u": text}, st.sampled_from(EXPRESSIONS)),
    st.builds(lambda text: {"v": text}, st.sampled_from(["n", "n - 3", "x", "n / 2"])),
    st.builds(lambda truth: {"w": truth}, st.booleans()),
    st.builds(lambda word: {"k": word}, st.sampled_from(["one", "two", "three"])),
)
BASIS = st.sampled_from(["measured", "observed", "assumed"])
OFFERS = st.one_of(
    st.builds(
        lambda v, b: {"axis": "width", "value": v, "basis": b}, st.sampled_from(["narrow", "middle", "wide"]), BASIS
    ),
    st.builds(lambda v, b: {"axis": "depth", "value": v, "basis": b}, st.sampled_from(["flat", "deep"]), BASIS),
)
HOLDS = st.builds(
    lambda kind, axis: {"kind": kind, "text": f"{kind} {axis}", **({"axis": axis} if axis else {})},
    st.sampled_from(["do_not_size", "cannot_size"]),
    st.sampled_from([None, "width", "depth"]),
)
TIMINGS = st.one_of(
    st.fixed_dictionaries(
        {"every_hours": st.sampled_from([8, 12, 24])}, optional={"for_days": st.sampled_from([1, 3])}
    ),
    st.fixed_dictionaries(
        {"times_per_day": st.sampled_from([1, 2, 3])}, optional={"within_hours": st.sampled_from([0, 2])}
    ),
    st.fixed_dictionaries(
        {"on": st.lists(st.sampled_from(["at_night", "at_noon"]), min_size=1, max_size=2, unique=True)}
    ),
)
HANDS = st.dictionaries(st.sampled_from(["holds", "asks", "turns"]), st.integers(1, 3), min_size=1, max_size=2)
CALLS = st.builds(
    lambda task, timing, more: {"task": task, **timing, **more},
    st.sampled_from(["look", "ask"]),
    TIMINGS,
    st.fixed_dictionaries(
        {},
        optional={
            "people": st.integers(1, 3),
            "hands": HANDS,
            "performer": st.sampled_from(["nurse", "clinician"]),
        },
    ),
)
JOINING = st.builds(lambda hands: {"each": "care", "hands": hands}, HANDS)
EFFECTS = st.fixed_dictionaries(
    {},
    optional={
        "conclude": DRAWN,
        "size": st.lists(OFFERS, min_size=1, max_size=2),
        "hold": HOLDS,
        "tasks": st.lists(st.one_of(CALLS, JOINING), min_size=1, max_size=2),
    },
).filter(bool)
RULES = st.builds(
    lambda when, then, priority: {"when": when, "then": then, "priority": priority},
    st.one_of(
        TREES,
        st.sampled_from(
            [
                {"known": "u"},
                {"unknown": "w"},
                {"unless_known_not": {"fact": "u", "above": 0}},
                {"fact": "k", "one_of": ["one", "three"]},
                "always",
            ]
        ),
    ),
    EFFECTS,
    st.integers(-2, 2),
)
PEOPLE = st.builds(
    lambda facts, more: {**facts, **more},
    PATIENTS,
    st.fixed_dictionaries({}, optional={"u": st.floats(-50, 50), "k": st.sampled_from(["one", "two", "three"])}),
)


def ruleset_of(rules):
    """``rules`` without those that would conclude what they, or rules that they build on, read."""
    kept = []
    for index, rule in enumerate(rules):
        reads_concluded = any(name in json.dumps(rule["when"]) for name in ('"u"', '"v"', '"w"', '"k"'))
        if not (reads_concluded and "conclude" in rule["then"]):
            about = {"id": f"generated.r{index}", "title": f"Rule {index}", "because": "Test.", "sources": ["habit"]}
            kept.append({**about, **rule})
    return build_ruleset(
        [
            YamlFile("head.yaml", HEAD),
            YamlFile("more.yaml", MORE),
            YamlFile("generated.yaml", json.dumps({"rules": kept})),
        ]
    )


def table_of(ruleset, people):
    given = {name: fact for name, fact in ruleset.vocabulary.items() if fact.given != "concluded"}
    data = {name: [facts.get(name) for facts in people] for name in given}
    return pl.DataFrame(
        {name: pl.Series(name, values, dtype=column_type(given[name]), strict=False) for name, values in data.items()}
    )


@settings(max_examples=120, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(RULES, min_size=3, max_size=20), st.lists(PEOPLE, min_size=1, max_size=30))
def test_any_ruleset_means_the_same_in_columns(rules, people):
    ruleset = ruleset_of(rules)
    columns = Columns(ruleset)
    plain = [fire(ruleset, facts) for facts in people]
    assert differing(columns.decide(table_of(ruleset, people)), expected_table(ruleset, plain, columns)) == []


def test_batches_change_nothing(monkeypatch):
    heights = [170.3, 50.0, 180.7, 100.0, 30.0]
    table = pl.DataFrame({"age_years": [0.0, 17.9, 18.0, None, 65.0], "weight_kg": 80.1, "height_cm": heights})
    whole = COLUMNS.decide(table)
    for rows in (1, 2, 3):
        monkeypatch.setattr(polars_backend, "BATCH", rows)
        assert COLUMNS.decide(table).equals(whole)


def test_a_column_that_is_kept_passes_through_and_an_empty_table_is_answered():
    table = pl.DataFrame({"patient": ["a", "b"], "age_years": [3.0, 40.0]})
    assert COLUMNS.decide(table, keep=["patient"], outputs=["axis:line"]).rows() == [
        ("a", "young_child"),
        ("b", "adult"),
    ]
    assert COLUMNS.decide(table.clear(), keep=["patient"]).height == 0


def test_a_kept_column_named_like_a_result_is_refused():
    with pytest.raises(ValueError, match="size"):
        COLUMNS.decide(pl.DataFrame({"size": ["x"]}), keep=["size"])


def test_a_table_without_columns_is_refused():
    with pytest.raises(ValueError, match="no columns"):
        COLUMNS.decide(pl.DataFrame())


def test_an_axis_with_too_many_values_is_refused():
    values = [f"v{number}" for number in range(13)]
    head = (
        HEAD
        + "axes:\n  width: "
        + json.dumps({"title": "width", "values": values, "words": dict.fromkeys(values, "w")})
    )
    with pytest.raises(EngineError, match="axis width: 13 values"):
        Columns(build_ruleset([YamlFile("head.yaml", head)]))


@pytest.mark.parametrize(
    ("column", "values", "message"),
    [
        ("neck_hight_mm", [50.0], "did you mean neck_height_mm"),
        ("minor", [True], "worked out by rules"),
        ("age_years", ["40"], "a column of type String"),
        ("age_years", [40.0, -1.0, 130.0], r"implausible \(2 of 3 rows\); accepted: a number from 0 to 120"),
        ("age_years", [float("nan")], "not a finite number"),
        ("glasgow_coma_score", [3.5], "not a whole number"),
        ("neck_height_fingers", [3.0, 3.5, 3.3], r"not a whole or half number \(1 of 3 rows\)"),
        ("sex", ["female", "robot", None], r"'robot': not one of the accepted codes \(1 of 3 rows\)"),
        ("bed_rest", [1], "a column of type Int64"),
    ],
)
def test_a_table_that_cannot_be_used_is_refused_with_reason(column, values, message):
    with pytest.raises(FactError, match=message):
        checked_facts(RULESET.vocabulary, pl.DataFrame({column: values}))


def test_checked_facts_are_in_the_column_types():
    table = pl.DataFrame(
        {"age_years": [40, None], "sex": ["male", None], "bed_rest": [None, True], "where": ["x", "y"]}
    )
    checked = checked_facts(RULESET.vocabulary, table, keep=["where"])
    assert checked.schema == {
        "age_years": pl.Float64(),
        "sex": pl.Enum(["female", "male", "unknown"]),
        "bed_rest": pl.Boolean(),
        "where": pl.String(),
    }
