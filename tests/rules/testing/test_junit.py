"""JUnit XML as continuous integration servers read it (element names: the widely used JUnit report, from memory)."""

import xml.etree.ElementTree as ET

from rules.deciding.decider import Decider
from rules.loading.yaml_reader import YamlFile
from rules.testing.cases import read_cases, run_cases
from rules.testing.junit import junit_xml
from tests.shipped_content import RULESET

TEXT = """
cases:
  - {name: holds, shows: a, source: b, facts: {age_years: 44}, fires: [sizing.line.adult]}
  - {name: fails, shows: a, source: b, facts: {age_years: 44}, fires: [sizing.line.child]}
"""


def test_junit_counts_and_spells_out_failures():
    cases = read_cases(RULESET, [YamlFile("cases/here.yaml", TEXT)])
    root = ET.fromstring(junit_xml(run_cases(Decider(RULESET), cases)))
    suite = root.find("testsuite")
    assert (root.get("tests"), root.get("failures"), suite.get("name")) == ("2", "1", "cases/here.yaml")
    holds, fails = suite.findall("testcase")
    assert holds.find("failure") is None
    assert fails.get("line") == "4"
    assert fails.find("failure").get("message") == "rule sizing.line.child: expected fires, actual silent"
    assert "sizing.line.adult" in fails.find("failure").text
