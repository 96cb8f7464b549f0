"""Random overlays against the gate: refused, or signed for.

``python -m tests.cds.attacks.overlay_attack`` does it to the shipped content.
"""

from collections import Counter
from pathlib import Path

from tests.cds.attacks.overlay_attack import attack
from tests.rules.small import FRAME, RULES

CASES = """cases:
  - {name: low, shows: a, source: b, facts: {height_mm: 50, girth_mm: 300, asleep: true}, fires: [small.a], silent: [small.b]}
  - {name: high, shows: a, source: b, facts: {height_mm: 90, girth_mm: 450, asleep: false}, fires: [small.b], silent: [small.a]}
  - {name: nothing, shows: a, source: b, facts: {}, silent: [small.a]}
"""


def test_no_generated_overlay_is_served_unchecked(tmp_path: Path) -> None:
    """Twenty of them over a small rule set, so that it takes seconds; some of each outcome, or this would show little."""
    folder = tmp_path / "knowledge"
    (folder / "cases").mkdir(parents=True)
    (folder / "frame.yaml").write_text(FRAME)
    (folder / "small.yaml").write_text("rules:" + RULES)
    (folder / "cases" / "one.yaml").write_text(CASES)
    outcomes = Counter(attack(folder, 20, seed=1, cases=3))
    assert sum(outcomes.values()) == 20
    assert outcomes["accepted once signed"] > 2
    assert outcomes["refused for good"] > 2
