"""Whole decisions, one patient at a time, against plain evaluation of the rules; and memory over many of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import count, cycle, islice

from rules.deciding.decider import Decider
from rules.evaluation.information_gain import Sizer
from rules.evaluation.interpreter import Plain
from rules.loading.loader import load_ruleset
from rules.testing.generators import Generator
from tests.bench.child import in_child, memory
from tests.bench.measured import Measured, seconds

PATIENTS = 200
MANY = 20_000
MOST_GROWTH = 1.05
MOST_MILLISECONDS = 1.5
MOST_WITH_TRACE = 2.5
"""For one decision on an idle processor of the time of writing."""
MEASURED = {
    "age_years": 41,
    "neck_height_mm": 66,
    "neck_circumference_mm": 380,
    "head_position": "neutral",
    "bed_rest": False,
}
AT = datetime(2026, 1, 31, 10, tzinfo=UTC)


def measure() -> Iterator[Measured]:
    """How long a decision takes, and what 20,000 of them leave behind."""
    ruleset = load_ruleset()
    patients = list(Generator(ruleset).patients(PATIENTS))
    plain, decider = Plain(ruleset), Decider(ruleset)
    decider.decide(patients[0], AT)
    evaluating = seconds(lambda: [plain.fire(facts) for facts in patients], times=3)
    deciding = seconds(lambda: [decider.decide(facts, AT) for facts in patients], times=2)
    yield Measured(
        f"Decider.decide, {len(ruleset.rules)} rules: {PATIENTS / deciding:.0f} decisions/s",
        deciding / PATIENTS * 1000,
        evaluating / PATIENTS * 1000,
        "evaluating the same rules in plain Python",
        "ms",
    )
    for words, work, most in (
        ("a measured patient, the trace left out", lambda: decider.decide(MEASURED, AT), MOST_MILLISECONDS),
        ("a measured patient, with the trace", lambda: list(decider.decide(MEASURED, AT).trace), MOST_WITH_TRACE),
    ):
        taken = seconds(lambda work=work: [work() for _ in range(PATIENTS)], times=5) / PATIENTS * 1000
        yield Measured.alone(words, taken, "ms", bar=f"at most {most:g} ms", kept=taken <= most)
    before, after = in_child("tests.bench.decisions:memories")
    yield Measured(
        f"memory after {MANY:,} decisions",
        after,
        before,
        "memory after a tenth of them",
        "MB",
        bar=f"at most {MOST_GROWTH} x",
        kept=after <= MOST_GROWTH * before,
    )


def memories() -> tuple[float, float]:
    """Memory in MB after a tenth of the decisions and after all of them."""
    ruleset = load_ruleset()
    sizer, turn = Sizer(ruleset), count()
    # Trying answers, to rank what to find out next, takes half of the time; one decision in ten does it.
    decider = Decider(ruleset, prospects=lambda *known: sizer.prospects(*known, rank=next(turn) % 10 == 0))
    patients = list(Generator(ruleset).patients(PATIENTS))
    held = []
    for more in (MANY // 10, MANY - MANY // 10):
        for facts in islice(cycle(patients), more):
            decider.decide(facts, AT)
        held.append(memory())
    return held[0], held[1]
