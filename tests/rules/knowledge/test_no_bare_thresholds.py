"""Clinical numbers are parameters: no rule compares, schedules or counts people with a number of its own."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

import rules

KNOWLEDGE = Path(rules.__file__).parent / "knowledge"
HELD = {"below", "above", "at_least", "at_most", "equals", "every_hours", "within_hours", "times_per_day", "people"}
FREE = {"0", "24"}
"""Nothing, at once, and the hours of a day."""


def bare_numbers(value: object, key: str = "") -> list[str]:
    if isinstance(value, dict):
        return [found for name, inner in value.items() for found in bare_numbers(inner, str(name))]
    if isinstance(value, list):
        return [found for inner in value for found in bare_numbers(inner, key)]
    if key not in HELD:
        return []
    numbers = re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", str(value))
    return [f"{key}: {value}" for number in numbers if number not in FREE]


@pytest.mark.parametrize("file", sorted(KNOWLEDGE.glob("*.yaml")), ids=lambda path: path.stem)
def test_no_rule_holds_a_clinical_number_of_its_own(file: Path) -> None:
    written = yaml.safe_load(file.read_text(encoding="utf-8")).get("rules", [])
    assert [(rule["id"], found) for rule in written for found in bare_numbers(rule)] == []


def test_the_search_finds_one() -> None:
    rule = {"when": {"all": [{"fact": "age_years", "below": 8}]}, "then": {"tasks": {"task": "t", "within_hours": 0}}}
    assert bare_numbers(rule) == ["below: 8"]
