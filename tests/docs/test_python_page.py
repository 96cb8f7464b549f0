"""The public Python names: each exists, is described, and stands on docs/python.md as its docstring says."""

import re
from types import ModuleType

import pytest

import cds
import rules
from tests.docs.python_page import PAGE, page


def test_the_page_is_what_the_docstrings_say() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: python -m tests.docs.python_page"


@pytest.mark.parametrize("package", [rules, cds])
def test_every_public_name_is_there_and_described(package: ModuleType) -> None:
    names = [name for name in package.__all__ if not name.startswith("__")]
    assert len(names) > 8
    assert [name for name in names if not getattr(package, name).__doc__] == []


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'Wheelchair'"):
        rules.Wheelchair  # noqa: B018


def test_the_example_runs_as_written(capsys: pytest.CaptureFixture[str]) -> None:
    example = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert len(example) == 1
    exec(compile(example[0], "docs/python.md", "exec"), {})
    assert capsys.readouterr().out.startswith("adult H3 G2")
