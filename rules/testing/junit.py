"""Results of worked cases as JUnit XML, which continuous integration servers read."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Iterable

from rules.testing.cases import CaseResult


def junit_xml(results: Iterable[CaseResult], suite: str = "cases") -> str:
    """``results`` as one JUnit document: a test suite for each case file, a failure element with every difference.

    The whole is called ``suite``.
    """
    files: dict[str, list[CaseResult]] = defaultdict(list)
    for result in results:
        files[result.case.place.file].append(result)
    every = [result for group in files.values() for result in group]
    root = ET.Element("testsuites", {"name": suite, **_counts(every)})
    for file, group in files.items():
        element = ET.SubElement(root, "testsuite", {"name": file, **_counts(group)})
        for result in group:
            _testcase(element, result)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _counts(results: list[CaseResult]) -> dict[str, str]:
    failed = sum(not result.passed for result in results)
    return {"tests": str(len(results)), "failures": str(failed), "errors": "0", "skipped": "0"}


def _testcase(suite: ET.Element, result: CaseResult) -> None:
    place = result.case.place
    case = ET.SubElement(
        suite,
        "testcase",
        {"name": result.case.name, "classname": place.file, "file": place.file, "line": str(place.line or 0)},
    )
    if not result.passed:
        message = "; ".join(str(difference) for difference in result.differences)
        ET.SubElement(case, "failure", {"message": message}).text = result.describe()
