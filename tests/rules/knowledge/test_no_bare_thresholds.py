"""Clinical numbers are parameters: no rule compares, schedules or counts people with a number of its own."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest
import yaml

import rules
from rules.loading.schema import TimingShape
from rules.model.conditions import Comparator

KNOWLEDGE = Path(rules.__file__).parent / "knowledge"
HELD = {*get_args(Comparator), *TimingShape.model_fields, "people"}
"""Keys under which a rule compares, schedules or counts people."""
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
    text = file.read_text(encoding="utf-8")
    written = yaml.safe_load(text).get("rules", [])
    assert len(written) == text.count("\n  - id: ")
    assert [(rule["id"], found) for rule in written for found in bare_numbers(rule)] == []


def test_the_search_finds_one() -> None:
    rule = {"when": {"all": [{"fact": "age_years", "below": 8}]}, "then": {"tasks": {"task": "t", "within_hours": 0}}}
    assert bare_numbers(rule) == ["below: 8"]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("is", 8),
        ("is_not", 3.5),
        ("one_of", [6, 7]),
        ("not_one_of", [6, 7]),
        ("at_least", "edge_mm + 3"),
        ("for_days", 2),
        ("every_hours", 4),
        ("within_wear_hours", 12),
        ("times_per_day", 3),
        ("people", 2),
    ],
)
def test_it_finds_one_under_every_key_that_takes_a_number(key: str, value: object) -> None:
    assert bare_numbers({"when": {"any": [{"fact": "x", key: value}]}})
    assert bare_numbers({"when": {"any": [{"fact": "x", key: "edge_mm"}]}}) == []
    assert key in HELD
