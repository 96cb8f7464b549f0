"""How rules are written for durable_rules (its JSON form), cut into parts, and what is sent of a patient."""

from __future__ import annotations

import json
from itertools import product

import pytest

from rules.errors import EngineError
from rules.evaluation import durable_engine
from rules.evaluation.durable_engine import Engine, compiled
from rules.evaluation.durable_library import remedy
from rules.evaluation.interpreter import fire
from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile
from tests.rules.small_deciding import deciding_ruleset

HEAD = """
ruleset: {name: generated, version: 1.0.0, title: Generated, disclaimer: Clinicians decide.}
facts:
  x: {type: number, range: [-100, 100], label: x, meaning: x, code: x}
  n: {type: integer, range: [3, 15], label: n, meaning: n, code: n}
  b: {type: boolean, label: b, meaning: b, code: b}
  c: {type: code, values: [red, green, "blue sky"], label: c, meaning: c, code: c}
  d: {type: boolean, label: d, meaning: d, code: d, danger: {name: d, answers: [true]}}
  y: {type: number, range: [-1000, 1000], label: y, meaning: y, code: y, given: either}
sources: {habit: {kind: common_practice, citation: "Common practice, no source."}}
"""


def ruleset(*conditions, conclude=None):
    """One rule for each condition, called r0, r1 and so on; the last one may conclude y."""
    rules = [
        {
            "id": f"generated.r{index}",
            "title": "t",
            "when": condition,
            "then": {"caution": {"severity": "info", "text": f"caution {index}"}},
            "because": "Test.",
            "sources": ["habit"],
        }
        for index, condition in enumerate(conditions)
    ]
    if conclude:
        rules[-1]["then"] = {"conclude": {"y": conclude}}
    return build_ruleset([YamlFile("base.yaml", HEAD), YamlFile("generated.yaml", json.dumps({"rules": rules}))])


def has(fact, value=True, comparator="is"):
    return {"fact": fact, comparator: value}


@pytest.mark.parametrize(
    ("condition", "written"),
    [
        ("always", {"always": 1}),
        (has("b"), {"b": True}),
        (has("c", "red"), {"c": "red"}),
        (has("x", 2.5, "is_not"), {"$neq": {"x": 2.5}}),
        (has("x", 2, "at_least"), {"$gte": {"x": 2}}),
        (has("x", 2, "above"), {"$gt": {"x": 2}}),
        (has("x", 2, "at_most"), {"$lte": {"x": 2}}),
        (has("x", 0, "below"), {"$lt": {"x": 0}}),
        (has("c", ["red"], "one_of"), {"c": "red"}),
        (has("c", ["red", "green"], "one_of"), {"$or": [{"c": "red"}, {"c": "green"}]}),
        (has("c", ["red", "green"], "not_one_of"), {"$and": [{"$neq": {"c": "red"}}, {"$neq": {"c": "green"}}]}),
        ({"known": "x"}, {"known__x": 1}),
        ({"unknown": "x"}, {"unknown__x": 1}),
        ({"unless_known_not": has("d")}, {"$or": [{"unknown__d": 1}, {"d": True}]}),
        ({"all": [has("b"), {"known": "x"}]}, {"$and": [{"b": True}, {"known__x": 1}]}),
        ({"any": [has("b"), {"known": "x"}]}, {"$or": [{"b": True}, {"known__x": 1}]}),
        ({"all": [has("b")]}, {"b": True}),
        # A negation is pushed down to what it denies.
        ({"none": [has("x", 2, "above"), {"known": "c"}]}, {"$and": [{"$lte": {"x": 2}}, {"unknown__c": 1}]}),
    ],
)
def test_a_condition_is_written_as_durable_rules_reads_it(condition, written):
    assert compiled(ruleset(condition).rules["generated.r0"]) == [written]


def groups(count):
    """A condition under ``any`` with ``count`` groups beside the outermost, all of one comparison twice."""
    return {"any": [{"all": [has("n", 3 + number % 12), has("b")]} for number in range(count)]}


@pytest.mark.parametrize(("count", "pieces"), [(2, [2]), (14, [14]), (15, [14, 1]), (30, [14, 14, 2])])
def test_a_rule_of_many_groups_is_cut_at_its_outermost_or(count, pieces):
    """Fourteen groups joined by one more are fifteen, of which the engine takes no more."""
    written = compiled(ruleset(groups(count)).rules["generated.r0"])
    assert [len(piece.get("$or", [piece])) for piece in written] == pieces


@pytest.mark.parametrize(
    ("child", "count", "pieces"),
    [
        (has("c", ["red", "green"], "one_of"), 14, (14, 1)),
        (has("c", ["red", "green"], "not_one_of"), 15, (14, 2)),
        (has("c", ["red"], "one_of"), 20, (20, 1)),
        (has("b"), 20, (20, 1)),
        ({"unless_known_not": has("d")}, 14, (14, 1)),
        ({"unless_known_not": has("d")}, 15, (14, 2)),
        ({"unless_known_not": has("c", ["red", "green"], "one_of")}, 7, (7, 1)),
        ({"unless_known_not": has("c", ["red", "green"], "one_of")}, 8, (7, 2)),
        ({"all": [has("b"), {"any": [has("d"), {"known": "x"}]}]}, 8, (7, 2)),
    ],
)
def test_each_joint_within_a_rule_is_a_group(child, count, pieces):
    written = compiled(ruleset({"any": [child] * count}).rules["generated.r0"])
    first = written[0]
    assert (len(first["$or"]), len(written)) == pieces


def test_a_rule_that_cannot_be_cut_is_refused_by_name():
    found = ruleset({"all": [has("b"), groups(15)]})
    with pytest.raises(EngineError) as error:
        compiled(found.rules["generated.r0"])
    assert str(error.value) == (
        "generated.yaml:1: rules.0.id: rule generated.r0 joins more than 15 groups of conditions; split it"
    )


@pytest.mark.parametrize(
    ("value", "refused"), [(0.001, False), (0.0009, True), (1e15, False), (1e16, True), (-0.0009, True)]
)
def test_a_threshold_that_would_need_an_exponent_is_refused(value, refused):
    rule = ruleset(has("x", value, "above")).rules["generated.r0"]
    if not refused:
        assert compiled(rule) == [{"$gt": {"x": value}}]
        return
    with pytest.raises(EngineError) as error:
        compiled(rule)
    assert str(error.value) == (f"x is compared with {value!r}; use a threshold of 0, or of a size from 0.001 to 1e+15")


@pytest.mark.parametrize(
    ("value", "sent"),
    [
        (0, "0"),
        (0.0, "0.0"),
        (3, "3"),
        (2.25, "2.25"),
        (0.001, "0.001"),
        (-0.001, "-0.001"),
        (0.000999, "0.0005"),
        (-5e-324, "-0.0005"),
        (1e15, "1000000000000000.0"),
        (10**15, "1000000000000000"),
        (1e16, "2000000000000000.0"),
        (-1e300, "-2000000000000000.0"),
        (True, "true"),
        ("blue sky", '"blue sky"'),
        ("Zoë", '"Zoë"'),
    ],
)
def test_a_value_is_sent_without_an_exponent_on_its_side_of_every_threshold(value, sent):
    assert durable_engine._written(value) == sent


def test_what_is_sent_of_a_patient_is_what_the_rules_of_the_part_ask():
    conditions = (
        {"all": [has("x", 2, "above"), {"known": "c"}]},
        {"any": [{"unknown": "n"}, {"unless_known_not": has("d")}]},
    )
    engine = Engine(ruleset(*conditions))
    (part,) = (part for parts in engine._layers for part in parts)
    assert part.name == "layer_0_0"
    assert json.loads(part.message("7", {})) == {"sid": "7", "always": 1, "unknown__d": 1, "unknown__n": 1}
    values = {"x": ', "x": 2.5', "c": ', "c": "red"', "n": ', "n": 3', "d": ', "d": false', "b": ', "b": true'}
    assert json.loads(part.message("8", values)) == {"sid": "8", "always": 1, "x": 2.5, "d": False, "known__c": 1}


EITHER = {"any": [has("x", 2, "above"), has("b")]}
EVERY = (
    "always",
    has("b"),
    has("c", ["red", "green"], "one_of"),
    has("c", ["red", "green"], "not_one_of"),
    has("c", "red", "is_not"),
    has("x", 2, "at_least"),
    has("x", 2, "above"),
    has("x", 2, "at_most"),
    has("x", 2, "below"),
    has("n", 5),
    {"known": "x"},
    {"unknown": "x"},
    {"unless_known_not": has("d")},
    {"unless_known_not": has("x", 2, "above")},
    {"all": [has("b"), EITHER]},
    {"none": [has("b"), {"known": "c"}]},
    groups(16),
    has("y", 3, "above"),
    has("x", 1, "above"),
)


@pytest.fixture(scope="module")
def both():
    found = ruleset(*EVERY, conclude="x * 2 - 1")
    return found, Engine(found)


@pytest.mark.parametrize(
    ("x", "b"), list(product([None, 1, 2, 2.0, 2.5, 1e-9], [None, True, False])), ids=lambda given: str(given)
)
def test_the_engine_fires_what_plain_evaluation_fires(both, x, b):
    found, engine = both
    for c, n, d in product([None, "red", "blue sky"], [None, 5], [None, False]):
        facts = {"x": x, "b": b, "c": c, "n": n, "d": d}
        known = {name: value for name, value in facts.items() if value is not None}
        assert engine.fire(known) == fire(found, known), known


def test_the_engine_fires_what_plain_evaluation_fires_for_the_small_ruleset():
    found = deciding_ruleset()
    engine = Engine(found)
    for facts in (
        {},
        {"age_years": 84, "lying": True, "weight_kg": 70, "bleeding": True},
        {"girth_mm": 329.9, "swollen": True},
    ):
        assert engine.fire(facts) == fire(found, facts)


@pytest.mark.parametrize(("alternatives", "parts"), [([1] * 60, 1), ([1] * 61, 2), ([30, 30, 1], 2), ([60, 60], 2)])
def test_a_layer_is_cut_so_that_no_part_holds_more_than_sixty_alternatives(alternatives, parts):
    """With 64 of them true at once the engine fails."""
    conditions = [
        {"any": [has("n", 3 + way % 13) for way in range(count)]} if count > 1 else has("b") for count in alternatives
    ]
    engine = Engine(ruleset(*conditions))
    assert [len(layer) for layer in engine._layers] == [parts]
    assert sorted(index for part in engine._layers[0] for index, _ in part.rules) == list(range(len(alternatives)))
    assert [part.name for part in engine._layers[0]] == [f"layer_0_{number}" for number in range(parts)]


def test_what_many_ask_for_stands_before_what_few_ask_for():
    """So that a part of rare facts need seldom be sent."""
    conditions = [has("x", 1, "above"), *[has("b")] * 60, {"all": [has("c", "red"), has("x", 2, "above")]}]
    first, second = Engine(ruleset(*conditions))._layers[0]
    assert [index for index, _ in first.rules] == list(range(1, 61))
    assert [index for index, _ in second.rules] == [0, 61]


@pytest.mark.parametrize(
    ("condition", "facts", "can"),
    [
        (has("b"), {"b": True}, True),
        (has("b"), {"b": False}, False),
        (has("b"), {}, False),
        (has("c", ["red"], "one_of"), {"c": "green"}, False),
        # Numbers are the engine's to compare.
        (has("x", 2, "above"), {"x": 1}, True),
        (has("x", 2, "above"), {}, False),
        ({"unless_known_not": has("x", 2, "above")}, {"x": 1}, True),
        ({"unless_known_not": has("d")}, {"d": False}, False),
        ({"unless_known_not": has("d")}, {}, True),
        ({"all": [has("b"), has("x", 2, "above")]}, {"x": 1}, False),
        ({"any": [has("b"), has("x", 2, "above")]}, {"x": 1}, True),
        ("always", {}, True),
    ],
)
def test_a_part_is_sent_only_where_one_of_its_rules_can_be_true(condition, facts, can):
    ((part,),) = Engine(ruleset(condition))._layers
    assert part.can_match(facts) is can


def test_a_rule_with_more_than_sixty_ways_to_be_true_is_refused_by_name():
    ways = {"any": [has("n", 3 + number % 13) for number in range(8)]}
    with pytest.raises(EngineError) as error:
        Engine(ruleset("always", {"all": [ways, ways]}))
    assert str(error.value) == (
        "generated.yaml:1: rules.1.id: rule generated.r1 has 64 alternatives, at most 60; split it"
    )


def test_a_failure_of_the_library_is_an_engine_error_that_names_the_part(monkeypatch):
    engine = Engine(ruleset(has("b")))

    def fails(*_):
        raise RuntimeError("out of order")

    monkeypatch.setattr(durable_engine.durable_rules_engine, "assert_fact", fails)
    with pytest.raises(EngineError) as error:
        engine.fire({"b": True})
    assert str(error.value) == "durable_rules failed in layer_0_0: out of order"


def test_a_ruleset_that_the_library_refuses_is_named(monkeypatch):
    def refuses(_):
        raise RuntimeError("not understood")

    monkeypatch.setattr(durable_engine, "_QuietHost", refuses)
    with pytest.raises(EngineError) as error:
        Engine(ruleset(has("b")))
    assert str(error.value) == "durable_rules refused the ruleset generated: not understood"


def test_each_evaluation_has_a_session_of_its_own_which_is_deleted(monkeypatch):
    library = durable_engine.durable_rules_engine
    deleted = []
    delete = library.delete_state

    class Noting:
        def __getattr__(self, name):
            return getattr(library, name)

        def delete_state(self, handle, session):
            deleted.append(session)
            return delete(handle, session)

    monkeypatch.setattr(durable_engine, "durable_rules_engine", Noting())
    engine = Engine(ruleset(has("b")))
    assert [len(engine.fire({"b": True}).fired) for _ in range(3)] == [1, 1, 1]
    assert deleted == ["0", "1", "2"]
    # What cannot be true is not sent.
    assert engine.fire({"b": False}).fired == ()
    assert len(deleted) == 3


@pytest.mark.parametrize(
    ("version", "define"),
    [
        ((3, 12), ""),
        ((3, 13), "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject "),
        ((4, 0), "CPPFLAGS=-DPyEval_CallObject=PyObject_CallObject "),
    ],
)
def test_the_remedy_is_a_command_for_this_interpreter(version, define):
    assert remedy("python9", version) == (
        f"{define}python9 -m pip install --force-reinstall --no-deps --no-cache-dir --no-binary durable_rules "
        "durable_rules==2.0.28"
    )
