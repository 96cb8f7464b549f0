"""Overlays that nobody should write, against the gate.

``python -m tests.cds.attacks.overlay_attack`` tries 200 on the shipped content.

Each is a random change of rules: a threshold anywhere in its range, a rule switched off, a rule added that offers a size, draws a
conclusion or asks for a task. Each must be refused for good, or refused until somebody has signed for exactly the patients whose
decisions it changes, whom the reasons name; or it changes nobody's decision. Exit code 1 where one was let through.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import yaml

from cds.site.sign_off import SignOff, beside, unsigned
from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.evaluation.interpreter import Plain
from rules.loading.loader import KNOWLEDGE
from rules.model.ruleset import Ruleset
from rules.testing.cases import MOMENT, Case, load_cases
from rules.verification.quality_gate import Findings, QualityGate

SOURCE = {"attack": {"kind": "local_default", "citation": "Nobody's decision, in a test."}}


def overlay(ruleset: Ruleset, chance: random.Random) -> dict[str, Any]:
    """One random change of ``ruleset``, as an overlay file holds it."""
    because = "A random change."
    made: dict[str, Any] = {"site": {"name": "Harbour Infirmary (invented)"}}
    kind = chance.choice(["parameter", "switch_off", "rule", "rule"])
    if kind == "parameter":
        name, found = chance.choice([(n, p) for n, p in ruleset.parameters.items() if p.range is not None])
        low, high = found.range
        value = chance.choice([low, high, round(chance.uniform(low, high), 1)])
        made["parameters"] = {
            name: {"value": int(value) if isinstance(found.value, int) else value, "because": because}
        }
    elif kind == "switch_off":
        made["switch_off"] = [{"rule": chance.choice(list(ruleset.rules)), "because": because}]
    else:
        made["sources"] = SOURCE
        made["rules"] = [
            {
                "id": "attack.one",
                "title": "Attack",
                "priority": chance.choice([0, 5, 90]),
                "when": _condition(ruleset, chance),
                "then": _effect(ruleset, chance),
                "because": because,
                "sources": ["attack"],
            }
        ]
    return made


def _condition(ruleset: Ruleset, chance: random.Random) -> Any:
    fact = chance.choice([fact for fact in ruleset.vocabulary.values() if fact.given != "concluded"])
    if fact.type == "boolean":
        return {"fact": fact.name, "is": chance.choice([True, False])}
    if fact.type == "code":
        return {"fact": fact.name, "is": chance.choice(fact.values)}
    return chance.choice([{"known": fact.name}, {"unknown": fact.name}])


def _effect(ruleset: Ruleset, chance: random.Random) -> dict[str, Any]:
    axis = chance.choice(list(ruleset.axes.values()))
    concluded = [fact for fact in ruleset.vocabulary.values() if fact.given == "concluded" and fact.type == "boolean"]
    return chance.choice(
        [
            {"size": {"axis": axis.name, "value": chance.choice(axis.values), "basis": "measured"}},
            {"conclude": {chance.choice(concluded).name: chance.choice([True, False])}},
            {"tasks": {"task": chance.choice(list(ruleset.tasks)), "within_hours": chance.choice([1, 72])}},
        ]
    )


def outcome(folder: Path, made: dict[str, Any], cases: int) -> str:
    """What the gate did with the overlay ``made``. Raises AssertionError where it let something through."""
    file = folder.parent / "attack.yaml"
    file.write_text(yaml.safe_dump(made, sort_keys=False), encoding="utf-8")
    beside([file]).unlink(missing_ok=True)
    try:
        gate = QualityGate(folder, [file])
    except KnowledgeError as error:
        assert str(error)
        return "does not load"
    chosen = load_cases(gate.plain, folder / "cases")
    step = max(1, len(chosen) // cases)
    looked_at = {case.name: case for case in chosen[::step]}
    found = gate.findings(lambda case: case.name in looked_at)
    if found.grave:
        assert all(found.grave)
        return "refused for good"
    affected = _affected(gate, looked_at)
    named = {one.patient for one in found.changed}
    assert affected <= named, f"changed and not named: {sorted(affected - named)}"
    if not named and not found.unproved:
        return "changes nobody's decision"
    _only_signed(gate, found, file)
    return "accepted once signed"


def _affected(gate: QualityGate, cases: dict[str, Case]) -> set[str]:
    """The cases whose size, holds, cautions or tasks differ, worked out apart from the gate."""
    deciders = [Decider(ruleset, Plain(ruleset)) for ruleset in (gate.plain, gate.effective)]

    def said(decider: Decider, case: Case) -> Any:
        decision = decider.decide(case.facts, MOMENT)
        size = decision.size_class and decision.size_class.code
        texts = [sorted(one.text for one in group) for group in (decision.holds, decision.cautions)]
        return size, texts, sorted((task.task, task.timing_words) for task in decision.tasks)

    return {name for name, case in cases.items() if said(deciders[0], case) != said(deciders[1], case)}


def _only_signed(gate: QualityGate, found: Findings, file: Path) -> None:
    """Refused with the patients named, refused with a blank or foreign signature, accepted with the right one alone."""
    effective = gate.effective.hash
    reasons = "\n".join(unsigned(found, effective, [file]))
    assert all(one.patient in reasons for one in found.changed)
    blank = SignOff.of(found, effective)
    signed = blank.model_copy(update={"signed_by": "A. Ward", "date": MOMENT.date()})
    for other in (blank, signed.model_copy(update={"effective": gate.plain.hash})):
        beside([file]).write_text(other.written(), encoding="utf-8")
        assert unsigned(found, effective, [file])
    beside([file]).write_text(signed.written(), encoding="utf-8")
    assert unsigned(found, effective, [file]) == []


def attack(folder: Path, count: int, seed: int, cases: int) -> Iterator[str]:
    """What the gate did with each of ``count`` random overlays of the content in ``folder``; ``cases`` are decided for each.

    Raises AssertionError with the overlay that was let through.
    """
    plain, chance = QualityGate(folder, []).plain, random.Random(seed)
    for number in range(count):
        made = overlay(plain, chance)
        try:
            yield outcome(folder, made, cases)
        except AssertionError as error:
            raise AssertionError(f"overlay {number} of seed {seed}: {made}: {error}") from error


def main() -> int:
    """Attack the shipped content, and give the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--cases", type=int, default=150, help="worked cases that are decided for each overlay")
    asked = parser.parse_args()
    outcomes: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as root:
        (folder := Path(root) / "knowledge").symlink_to(KNOWLEDGE)
        try:
            for done, what in enumerate(attack(folder, asked.count, asked.seed, asked.cases), 1):
                outcomes[what] += 1
                print(f"{done} of {asked.count}: {what}", file=sys.stderr, flush=True)
        except AssertionError as error:
            print(f"let through: {error}")
            return 1
    for what, number in outcomes.most_common():
        print(f"{number:5} {what}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
