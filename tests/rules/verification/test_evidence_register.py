"""The evidence register says everything that the rules rest on, and docs/evidence.md is the one of the shipped rules."""

from itertools import pairwise
from pathlib import Path

import pytest

from rules.verification.evidence_register import evidence_page
from tests.shipped_content import RULESET

PAGE = evidence_page(RULESET)
LINES = PAGE.splitlines()


def test_the_page_in_docs_is_up_to_date():
    shipped = (Path(__file__).parents[3] / "docs/evidence.md").read_text(encoding="utf-8")
    assert shipped == PAGE, "run: nuque rules evidence > docs/evidence.md"


def test_every_rule_stands_there_with_each_of_its_sources():
    assert RULESET.rules
    for rule in RULESET.rules.values():
        (line,) = (line for line in LINES if line.startswith(f"| `{rule.id}` |"))
        assert all(f"`{cited}`" in line for cited in rule.sources)


def test_every_source_stands_there_once_and_says_where_it_was_recalled():
    assert {source.from_memory for source in RULESET.sources.values()} == {True, False}
    for source in RULESET.sources.values():
        (line,) = (line for line in LINES if line.startswith(f"| `{source.id}` |"))
        assert ("Recalled from memory." in line) == source.from_memory


@pytest.mark.parametrize("parameter", RULESET.parameters.values(), ids=lambda parameter: parameter.name)
def test_every_threshold_says_whether_to_confirm_it(parameter):
    (line,) = (line for line in LINES if line.startswith(f"| `{parameter.name}` |"))
    assert line.endswith("| yes |") == parameter.confirm


def test_every_table_has_as_many_cells_in_each_row():
    assert sum(line.startswith("|") for line in LINES) > len(RULESET.rules)
    for above, below in pairwise(LINES):
        if above.startswith("|") and below.startswith("|"):
            assert above.replace("\\|", "").count("|") == below.replace("\\|", "").count("|"), below


def test_every_topic_says_who_confirms_it_locally():
    topics = {rule.topic for rule in RULESET.rules.values()}
    assert sum(line.startswith("To be confirmed locally by: ") for line in LINES) == len(topics)
