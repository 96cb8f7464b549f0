"""The search for evidence that is gone finds it, and leaves what exists alone."""

from pathlib import Path

import pytest

from tests.lints.named_tests import missing

TESTS = {Path("tests/cds/test_answers.py"): {"test_an_answer", "answered"}}


@pytest.mark.parametrize(
    "named",
    [
        "`test_an_answer`",
        "`test_answers`, a file",
        "tests/cds/test_answers.py",
        "`tests/cds/test_answers.py::test_an_answer`",
        "rules/testing/cases.py::run_case is no test",
        "test_an_answer without backticks, and testing",
    ],
)
def test_what_exists_is_left_alone(named: str) -> None:
    assert missing(named, TESTS) == []


@pytest.mark.parametrize(
    ("named", "lost"),
    [
        ("`test_an_answer`, `test_another`", "test_another"),
        ("tests/test_answers.py", "tests/test_answers.py"),
        ("`tests/cds/test_answers.py::test_another`", "tests/cds/test_answers.py::test_another"),
        ("`tests/test_answers.py::test_an_answer`", "tests/test_answers.py::test_an_answer"),
    ],
)
def test_what_is_gone_is_found(named: str, lost: str) -> None:
    assert missing(named, TESTS) == [lost]
