"""What durable_rules 2.0.28 does that a caller must know of, each shown on the library itself, and how the engine lives with it.

Where a trap crashes or hangs a process it is shown in a child process.
"""

from __future__ import annotations

import importlib.metadata
import os
import subprocess
import sys
import textwrap
import threading

import pytest
from durable.engine import MessageNotHandledException

from rules.errors import EngineError
from rules.evaluation.durable_engine import Engine, _QuietHost, compiled
from rules.loading.loader import build_ruleset
from rules.loading.yaml_reader import YamlFile


def host(conditions, actions=None):
    """A bare host with one ruleset ``r``; each rule notes its index when it fires."""
    fired = []

    def note(index):
        return lambda c: fired.append(index)

    rules = {
        f"r_{index}": {"all": [{"m": condition}], "run": (actions or {}).get(index) or note(index)}
        for index, condition in enumerate(conditions)
    }
    return _QuietHost({"r": rules}), fired


def test_the_release_is_the_one_whose_behaviour_was_measured():
    assert importlib.metadata.version("durable_rules") == "2.0.28"


def test_an_event_is_consumed_by_one_rule_and_a_fact_reaches_all():
    conditions = [{"$gte": {"a": n}} for n in range(20)]
    posted, fired_by_event = host(conditions)
    posted.post("r", {"sid": "1", "a": 100})
    asserted, fired_by_fact = host(conditions)
    asserted.assert_fact("r", {"sid": "1", "a": 100})
    assert len(fired_by_event) == 1
    assert sorted(fired_by_fact) == list(range(20))


def test_a_missing_property_never_matches_not_even_a_difference():
    bare, fired = host([{"$neq": {"a": 1}}, {"always": 1}])
    bare.assert_fact("r", {"sid": "1", "always": 1})
    assert fired == [1]


def test_a_rule_fires_once_for_each_true_branch_of_an_or():
    bare, fired = host([{"$or": [{"a": 1}, {"b": 1}, {"c": 1}]}])
    bare.assert_fact("r", {"sid": "1", "a": 1, "b": 1})
    assert fired == [0, 0]


@pytest.mark.parametrize(("alternatives", "holds"), [(64, True), (65, False)])
def test_more_than_64_alternatives_that_are_true_at_once_are_an_error(alternatives, holds):
    bare, fired = host([{"$gte": {"a": n}} for n in range(alternatives)])
    if holds:
        bare.assert_fact("r", {"sid": "1", "a": 100})
        assert len(fired) == alternatives
    else:
        with pytest.raises(Exception, match="error code: 303"):
            bare.assert_fact("r", {"sid": "1", "a": 100})


@pytest.mark.parametrize(("groups", "holds"), [(14, True), (15, False)])
def test_more_than_14_groups_within_one_rule_are_an_error(groups, holds):
    condition = {"$or": [{"$and": [{"$gte": {"a": n}}, {"$gte": {"b": n}}]} for n in range(groups)]}
    if holds:
        bare, fired = host([condition])
        bare.assert_fact("r", {"sid": "1", "a": 0, "b": 0})
        assert fired == [0]
    else:
        with pytest.raises(Exception, match="error code: 113"):
            host([condition])


def test_a_null_matches_no_comparison_with_a_value():
    bare, fired = host([{"$neq": {"a": 1}}, {"$gte": {"a": 0}}, {"always": 1}])
    bare.assert_fact("r", {"sid": "1", "always": 1, "a": None})
    assert fired == [2]


def test_an_exception_in_an_action_is_swallowed_into_the_state():
    def fail(c):
        raise ValueError("lost")

    bare, _ = host([{"always": 1}], {0: fail})
    state = bare.assert_fact("r", {"sid": "1", "always": 1})
    assert "lost" in state["exception"]


def test_no_match_is_an_exception():
    bare, _ = host([{"a": 1}])
    with pytest.raises(MessageNotHandledException):
        bare.assert_fact("r", {"sid": "1", "a": 2})


def test_a_number_with_an_exponent_is_not_understood():
    with pytest.raises(Exception, match="Could not create ruleset"):
        host([{"$gte": {"a": 1e-9}}])


def child(code: str, timeout: float = 60, **environment: str) -> subprocess.CompletedProcess[str]:
    preamble = "from durable.engine import Host\nclass Quiet(Host):\n    def _run(self): pass\n"
    return subprocess.run(
        [sys.executable, "-c", preamble + textwrap.dedent(code)],
        capture_output=True,
        text=True,
        timeout=timeout,
        env=os.environ | environment,
    )


def test_a_host_holds_at_most_1024_sessions_when_none_is_deleted():
    done = child("""
        h = Quiet({"r": {"x": {"all": [{"m": {"a": 1}}], "run": lambda c: None}}})
        n = 0
        try:
            while n < 3000:
                h.assert_fact("r", {"sid": str(n), "a": 1})
                n += 1
        except MemoryError:
            print(n)
    """)
    assert done.stdout.strip() == "1024"


def test_an_absence_operator_on_a_message_hangs():
    with pytest.raises(subprocess.TimeoutExpired):
        child(
            """
            h = Quiet({"r": {"x": {"all": [{"m": {"$nex": {"b": 1}}}], "run": lambda c: None}}})
            h.post("r", {"sid": "1", "a": 1})
            print("survived")
            """,
            timeout=5,
        )


def test_deleting_the_sessions_of_unmatched_messages_breaks_the_process():
    # The memory that was freed is used again, which the C library shows by overwriting what is freed.
    done = child(
        """
        h = Quiet({"r": {"x": {"all": [{"m": {"a": 1}}], "run": lambda c: None}}})
        for n in range(200):
            try:
                h.assert_fact("r", {"sid": str(n), "a": 2})
            except Exception:
                pass
            h.delete_state("r", str(n))
        print("survived")
        """,
        MALLOC_PERTURB_="165",
    )
    assert done.returncode != 0 or "survived" not in done.stdout


# --- the engine lives with all of this --------------------------------------------------------------------------------

SMALL = """
ruleset: {name: small, version: 1.0.0, title: Small, disclaimer: Clinicians decide.}
facts:
  a: {type: number, range: [0, 1000], label: a, meaning: a, code: a}
  b: {type: boolean, label: b, meaning: b, code: b}
sources: {habit: {kind: common_practice, citation: "Common practice, no source."}}
rules:
"""


def small(count: int) -> Engine:
    rules = "".join(
        f"""
  - id: small.r{n}
    title: Rule {n}
    when: {{fact: a, at_least: {n}}}
    then: {{caution: {{severity: info, text: "caution {n}"}}}}
    because: Test.
    sources: [habit]
"""
        for n in range(count)
    )
    return Engine(build_ruleset([YamlFile("small.yaml", SMALL + rules)]))


def test_every_true_rule_fires_each_time():
    engine = small(80)
    for _ in range(50):
        assert len(engine.fire({"a": 59}).fired) == 60


def test_a_layer_with_more_true_rules_than_durable_rules_holds_fires_them_all():
    engine = small(150)
    assert [rule.id for rule in engine.fire({"a": 149}).fired] == [f"small.r{n}" for n in range(150)]


def test_many_more_evaluations_than_sessions_all_answer():
    engine = small(3)
    for n in range(5000):
        assert len(engine.fire({"a": n % 3}).fired) == n % 3 + 1


def test_evaluations_that_match_nothing_leave_the_engine_whole():
    engine = small(3)
    for _ in range(3000):
        assert engine.fire({}).fired == ()
    assert len(engine.fire({"a": 2}).fired) == 3


def test_no_condition_compiles_to_an_absence_operator(ruleset):
    texts = [repr(compiled(rule)) for rule in ruleset.rules.values()]
    assert texts
    assert not any("$nex" in text for text in texts)


def test_a_failure_in_the_library_raises():
    engine = small(2)
    part = engine._layers[0][0]
    engine._handles[part.name] = 999_999
    with pytest.raises(EngineError, match=part.name):
        engine.fire({"a": 5})


def test_no_action_is_run(monkeypatch):
    monkeypatch.setattr("rules.evaluation.durable_engine._never_run", None)
    assert len(small(3).fire({"a": 5}).fired) == 3


def test_no_background_thread_is_started():
    before = threading.enumerate()
    small(2).fire({"a": 1})
    assert set(threading.enumerate()) <= set(before)


def test_what_is_compiled_stays_in_memory_until_it_is_freed() -> None:
    """Twelve engines for the shipped content that free what was compiled, then twelve that do not, in one process.

    How much of it the allocator gives back to the system differs from one C library to another, so growth is compared with
    growth. Another engine goes on answering the same throughout.
    """
    done = child("""
        from rules.evaluation import durable_engine
        from rules.loading.loader import load_ruleset

        def resident():
            status = open("/proc/self/status").read()
            return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))
        content, facts = load_ruleset(), {"age_years": 40, "neck_height_mm": 66}
        other = durable_engine.Engine(content)
        fired = [rule.id for rule in other.fire(facts).fired]
        def grown(number):
            before = resident()
            for _ in range(number):
                assert [rule.id for rule in durable_engine.Engine(content).fire(facts).fired] == fired
                assert [rule.id for rule in other.fire(facts).fired] == fired
            return resident() - before
        grown(6)
        freed = grown(12)
        durable_engine._free = lambda handles: None
        print(freed, grown(12))
    """)
    assert done.returncode == 0, done.stderr
    freed, kept = map(int, done.stdout.split())
    assert kept > 10_000
    assert freed < kept / 3
