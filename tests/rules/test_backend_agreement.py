"""durable_rules, columns and plain evaluation decide alike: on every shipped case, and on 100,000 generated patients.

In CI all 100,000 are decided by columns and plain evaluation, and a tenth of them by durable_rules, which takes ten times as
long as plain evaluation; elsewhere the first 10,000. ``AGREEMENT_EVERY=1`` has durable_rules decide each of them too.
"""

import os

import polars as pl
import pytest

from rules.batch.fact_frame import checked_facts
from rules.batch.polars_backend import Columns
from rules.deciding.decider import Decider
from rules.evaluation.durable_engine import Engine
from rules.evaluation.hit_policy import sizing_part
from rules.evaluation.interpreter import fire
from rules.testing.cases import MOMENT, load_cases
from tests.rules.batch.expected_columns import Plain, differing, expected_table
from tests.rules.patients import as_people, population
from tests.shipped_content import RULESET

COLUMNS = Columns(RULESET)
ALL = "CI" in os.environ
CHUNK = 10_000
CHUNKS = 10 if ALL else 1
EVERY = int(os.environ.get("AGREEMENT_EVERY", "10"))


def chunk(seed):
    """Patients of whom, in every other chunk, nothing is known beside what the rule that they are aimed at reads."""
    return population(RULESET, CHUNK, seed, nothing_else=seed % 2 == 1)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(CHUNKS))
def test_all_three_agree_on_generated_patients(seed):
    engine = Engine(RULESET)
    table = chunk(seed)
    people = as_people(table)
    plain = [fire(RULESET, facts) for facts in people]
    # Each chunk starts at another row: the patients that are aimed at a rule stand in the order of the rules.
    for row in range(seed % EVERY, CHUNK, EVERY):
        assert engine.fire(people[row]) == plain[row], people[row]
    assert differing(COLUMNS.decide(table), expected_table(RULESET, plain, COLUMNS)) == []


@pytest.mark.slow
@pytest.mark.skipif(not ALL, reason="makes 100,000 patients; runs in CI")
def test_the_generated_patients_reach_every_rule():
    table = pl.concat(chunk(seed) for seed in range(CHUNKS))
    fired = COLUMNS.decide(table, outputs=[f"rule:{name}" for name in RULESET.rules]).sum().row(0, named=True)
    assert fired.keys() == {f"rule:{name}" for name in RULESET.rules}
    assert [rule for rule, times in fired.items() if times == 0] == []


@pytest.mark.slow
def test_all_three_agree_on_every_shipped_case():
    cases = load_cases(RULESET)
    durable, plain = Decider(RULESET), Decider(RULESET, Plain(RULESET))
    for case in cases:
        assert durable.decide(case.facts, MOMENT) == plain.decide(case.facts, MOMENT), case.name
    table = pl.DataFrame([dict(case.facts) for case in cases], infer_schema_length=None)
    decided = COLUMNS.decide(checked_facts(RULESET.vocabulary, table))
    assert differing(decided, expected_table(RULESET, [fire(RULESET, case.facts) for case in cases], COLUMNS)) == []


def test_the_decision_itself_says_what_the_columns_say():
    table = population(RULESET, 200, seed=77)
    decider = Decider(RULESET)
    decided = COLUMNS.decide(table)
    assert decided.height == 200
    for facts, row in zip(as_people(table), decided.iter_rows(named=True), strict=True):
        decision = decider.decide(facts, MOMENT)
        assert row["size"] == (decision.size_class.code if decision.size_class else None)
        assert row["confidence"] == decision.confidence
        for name, axis in decision.axes.items():
            assert row[f"axis:{name}"] == axis.value
            assert row[f"candidates:{name}"] == (" ".join(axis.candidates) or None)
        assert {name for name, said in row.items() if name.startswith("caution:") and said} == {
            f"caution:{caution.severity}: {caution.text}" for caution in decision.cautions
        }
        asked = {name.removeprefix("task:"): words for name, words in row.items() if name.startswith("task:") and words}
        assert asked.keys() == {task.task for task in decision.tasks}
        for task in decision.tasks:
            # A deadline from the start of wear stands in the table as written; the decision says what is left of it.
            assert asked[task.task].startswith(task.timing_words) or " of wear" in asked[task.task]


def test_the_part_that_sizes_gives_the_same_sizes_as_the_whole():
    table = population(RULESET, 20_000, seed=5)
    part = Columns(sizing_part(RULESET))
    sizes = [
        name for name in part.outputs if name.split(":")[0] in ("size", "confidence", "withheld", "axis", "candidates")
    ]
    assert part.decide(table, outputs=sizes).equals(COLUMNS.decide(table, outputs=sizes))
