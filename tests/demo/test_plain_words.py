"""No reader meets the words of the machine: names with underscores, tenths of a millimetre, odd fractions of a finger."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from cds.cli import main
from cds.cli.text.decision_text import decision_text
from cds.cli.text.fit_advice import advice_text
from cds.fhir.writing.order_context import OrderContext
from cds.fhir.writing.proposal import suggested
from cds.protocol.request import FULL_TEXT
from rules.deciding.decider import Decider
from rules.deciding.fit_check import FitAttempt, FitCheck, StockedItem, advise, findings_of
from rules.loading.loader import KNOWLEDGE
from tests.demo.reading_load import INDEX, all_decided, all_read
from tests.demo.test_demo_bundles import shown
from tests.shipped_content import RULESET

DECIDER = Decider(RULESET)
ROOT = Path(__file__).parents[2]
READ_BY_PEOPLE = {"text", "display", "description", "title", "patientInstruction"}
"""Elements of FHIR resources that a person reads."""
UNITS = re.compile(r"\[[a-z]+_[a-z]+\]|\{[a-z]+\}")
"""Units as UCUM writes them."""
RULE = re.compile(r"\b[a-z_]+(?:\.[a-z0-9_]+)+")
"""The name of a rule, by which its page and ``nuque explain`` find it."""
SNAKE = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")
NUMBERS = {
    "tenths of a millimetre": re.compile(r"\d\.\d+ mm\b"),
    "give or take": re.compile(r"give or take"),
    "hours that are neither whole nor half": re.compile(r"\d\.(?!5\b)\d+ hours"),
    "half hours of two and more": re.compile(r"within (?:[2-9]|\d\d+)\.5 hours"),
    "a fraction of a finger other than half": re.compile(r"\d\.(?!5\b)\d+ (?:of a )?finger"),
}


@cache
def _cards() -> tuple[str, ...]:
    return tuple(
        text
        for read in all_read(FULL_TEXT)
        for card in read.cards
        for text in (card["summary"], card["detail"], card["extension"][FULL_TEXT])
    )


@cache
def _resources() -> tuple[str, ...]:
    return tuple(
        text
        for entry in INDEX
        for resource in suggested(shown(entry["file"][:2]).decision, OrderContext("Patient/x"))
        for text in _texts(resource, READ_BY_PEOPLE)
    )


def _texts(value: Any, keys: Collection[str], key: str = "") -> Iterator[str]:
    """Every text below ``value`` that stands under one of ``keys``."""
    if isinstance(value, dict):
        for name, inner in value.items():
            yield from _texts(inner, keys, name)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner, keys, key)
    elif isinstance(value, str) and key in keys:
        yield value


@cache
def _commands() -> tuple[str, ...]:
    return tuple(text for _, text in all_decided().values())


@cache
def _reasons() -> tuple[str, ...]:
    """What the commands print with all reasons (--why, --full), without the names of rules."""
    found = [shown(entry["file"][:2]) for entry in INDEX]
    printed = [
        decision_text(RULESET, each.decision, "title", each.shelf, full=full)
        for each in found
        for full in (False, True)
    ]
    return tuple(RULE.sub(lambda name: "" if name[0] in RULESET.rules else name[0], text) for text in printed)


@cache
def _fit() -> tuple[str, ...]:
    """What ``nuque fit`` prints of each finding in each line, at the first look and where seating again did not help."""
    texts = []
    for line in RULESET.axes["line"].values:
        for finding in findings_of(RULESET):
            worn = FitAttempt(size=f"{line} H1 G1", findings={finding: True})
            for history in ((), (worn,)):
                for shelf in (None, (StockedItem(name="one", sizes=(f"{line} H1 G1",)),)):
                    check = FitCheck(**worn.model_dump(), history=history, shelf=shelf)
                    texts.append(advice_text(RULESET, advise(DECIDER, check, datetime(2026, 1, 31, 10, tzinfo=UTC))))
    return tuple(texts)


@cache
def _map() -> tuple[str, ...]:
    done = CliRunner().invoke(main, ["rules", "map"])
    assert done.exit_code == 0 and "young child H2 G1" in done.output, done.output
    return (done.output,)


@cache
def _leaflets() -> tuple[str, ...]:
    return tuple(
        line
        for entry in INDEX
        for leaflet in shown(entry["file"][:2]).decision.leaflets
        for section in leaflet.sections
        for line in (section.title, *section.lines)
    )


@cache
def _sheet() -> tuple[str, ...]:
    done = CliRunner().invoke(main, ["rules", "sheet"])
    assert done.exit_code == 0, done.output
    return (done.output,)


READ = {
    "cards": _cards,
    "resources": _resources,
    "commands": _commands,
    "reasons": _reasons,
    "fit": _fit,
    "map": _map,
    "leaflets": _leaflets,
    "sheet": _sheet,
}


@pytest.mark.parametrize("where", READ)
def test_no_name_with_an_underscore_reaches_a_reader(where: str) -> None:
    texts = READ[where]()
    assert texts
    found = {name for text in texts for name in SNAKE.findall(text.replace("\\_", "_"))}
    assert found == set()


@pytest.mark.parametrize("where", READ)
def test_no_unit_reaches_a_reader_as_its_code(where: str) -> None:
    texts = READ[where]()
    assert texts and UNITS.findall("69 [in_i], 3 {finger}") == ["[in_i]", "{finger}"]
    assert [found for text in texts for found in UNITS.findall(text.replace("\\", ""))] == []


@pytest.mark.parametrize("where", READ)
@pytest.mark.parametrize("what", NUMBERS)
def test_numbers_are_as_coarse_as_they_can_be_measured(where: str, what: str) -> None:
    texts = READ[where]()
    assert texts
    assert [found for text in texts for found in NUMBERS[what].findall(text)] == []


READERS = {
    "title",
    "text",
    "summary",
    "because",
    "meaning",
    "label",
    "ask",
    "shows",
    "cause",
    "correction",
    "instruction",
} | {
    "citation",
    "detail",
}
"""Keys of the rule format whose texts people read (docs/rule-authors.md)."""


@cache
def _rules() -> tuple[str, ...]:
    """The texts of the clinical content, as the pages of the rules and the register of evidence show them."""
    return tuple(
        text
        for path in sorted(KNOWLEDGE.rglob("*.yaml"))
        for text in _texts(yaml.safe_load(path.read_bytes()), READERS)
    )


@cache
def _docs() -> tuple[str, ...]:
    pages = [ROOT / "README.md", *(ROOT / "docs").glob("*.md"), ROOT / "demo_bundles" / "README.md"]
    return tuple(page.read_text(encoding="utf-8") for page in pages if page.name != "CHANGELOG.md")


OTHER_WORDS = re.compile(r"(?<![\w./-])[Gg]irths?(?![\w./-])|\b(?:neck|collar) width\b|\b[Hh]eight and width\b")
"""What the axes of a size are not called: they are height and circumference. Codes and names of rules stay as promised."""
AXES = {
    **{name: one for name, one in READ.items() if name != "resources"},
    "rules": _rules,
    "docs": _docs,
}


@pytest.mark.parametrize("where", AXES)
def test_each_axis_of_a_size_has_one_word(where: str) -> None:
    texts = AXES[where]()
    assert any("circumference" in text for text in texts) or where == "leaflets"
    assert [found for text in texts for found in OTHER_WORDS.findall(text)] == []


@pytest.mark.parametrize("word", ["log-roll", "intracranial", "liner"])
def test_a_leaflet_uses_no_word_of_the_trade(word: str) -> None:
    assert _leaflets()
    assert [line for line in _leaflets() if word in line] == []
