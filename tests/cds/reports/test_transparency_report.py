"""The transparency report: every heading that is asked for, and nothing empty under any of them.

Source of the headings: 45 CFR 170.315(b)(11), source attributes of evidence-based decision support, and section 520(o)(1)(E) of
the U.S. Federal Food, Drug, and Cosmetic Act; from memory.
"""

import json
from typing import Any

import pytest
from click.testing import CliRunner

from cds.cli import main
from cds.reports.text_renderer import as_text
from cds.reports.transparency_report import transparency
from rules.testing.cases import load_cases
from rules.verification.invariants import load_claims
from tests.shipped_content import RULESET

REPORT = transparency(RULESET, load_cases(RULESET), load_claims(RULESET))
SECTIONS: dict[str, dict[str, Any]] = {section["title"]: section for section in REPORT.data["sections"]}
ASKED = [
    "Purpose",
    "Users",
    "Inputs",
    "Outputs",
    "Logic",
    "Sources and their quality",
    "Development",
    "Validation",
    "Fairness",
    "Maintenance",
    "Limits",
    "Independent review of the basis",
]


def test_every_heading_is_there_and_no_other() -> None:
    assert list(SECTIONS) == ASKED


@pytest.mark.parametrize("title", ASKED)
def test_nothing_is_empty(title: str) -> None:
    section = SECTIONS[title]
    assert section["says"] and all(len(sentence) > 20 for sentence in section["says"])
    for row in section.get("listed", []):
        assert [name for name, cell in row.items() if not cell.strip()] == []


@pytest.mark.parametrize(
    "title", ["Users", "Inputs", "Logic", "Sources and their quality", "Validation", "Fairness", "Limits"]
)
def test_what_can_be_listed_is_listed(title: str) -> None:
    assert len(SECTIONS[title]["listed"]) > 2


def test_every_source_and_every_fact_that_goes_in_is_named() -> None:
    assert len(SECTIONS["Sources and their quality"]["listed"]) == len(RULESET.sources)
    given = [fact.label for fact in RULESET.vocabulary.values() if fact.given != "concluded"]
    assert [row["fact"] for row in SECTIONS["Inputs"]["listed"]] == given


def test_every_rule_that_reads_sex_is_named_as_a_stand_in() -> None:
    reading = {rule.title for rule in RULESET.rules.values() if "sex" in rule.reads}
    assert {row["rule that reads sex"] for row in SECTIONS["Fairness"]["listed"]} == reading != set()


def test_a_measured_neck_gets_its_size_whatever_the_sex() -> None:
    assert any(sentence.endswith("whose neck is measured, 0.") for sentence in SECTIONS["Fairness"]["says"])


def test_the_statement_on_review_is_marked_as_a_reading_and_no_advice() -> None:
    assert SECTIONS["Independent review of the basis"]["says"][0].startswith("Our reading, and no legal advice")


def test_that_nobody_tried_it_on_patients_is_said() -> None:
    assert SECTIONS["Validation"]["says"][0].startswith("Not tried on patients")


def test_the_command_gives_the_same_as_text_and_json() -> None:
    said = CliRunner().invoke(main, ["rules", "transparency"])
    assert said.exit_code == 0 and said.output.strip() == as_text(REPORT).strip()
    assert json.loads(CliRunner().invoke(main, ["rules", "transparency", "--json"]).output)["sections"]
