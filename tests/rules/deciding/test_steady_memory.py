"""20,000 decisions in one process: memory stays flat, and no session of the engine is left behind."""

from __future__ import annotations

import subprocess
import sys

import pytest

DECIDE_MANY = """
import gc, os, random
from datetime import UTC, datetime
from rules.deciding.decider import Decider
from rules.loading.loader import load_ruleset

def resident_bytes():
    gc.collect()
    return int(open("/proc/self/statm").read().split()[1]) * os.sysconf("SC_PAGE_SIZE")

random.seed(7)
decider, at = Decider(load_ruleset()), datetime(2026, 1, 31, 10, tzinfo=UTC)
screened = {
    "head_position": "neutral",
    "bed_rest": True,
    "suspected_distraction_injury": False,
    "airway_threat": False,
    "halo_in_place": False,
}
for number in range(1, 20_001):
    facts = {
        "age_years": random.uniform(0, 100),
        "neck_circumference_mm": random.uniform(150, 700),
        "neck_height_mm": random.uniform(20, 120),
        "weight_kg": random.uniform(40, 150),
        "height_cm": random.uniform(140, 200),
    }
    decider.decide(facts if number % 50 == 0 else {**facts, **screened}, at)
    if number == 1_000:
        start = resident_bytes()
print(resident_bytes() - start)
"""


@pytest.mark.slow
def test_memory_grows_by_less_than_5_mib_after_the_first_thousand():
    done = subprocess.run([sys.executable, "-c", DECIDE_MANY], capture_output=True, text=True, timeout=1200)
    assert done.returncode == 0, done.stderr
    grown = int(done.stdout)
    assert grown < 5 * 1024 * 1024, f"{grown / 1024 / 1024:.1f} MiB"
