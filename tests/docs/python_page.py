"""Writes docs/python.md, the public Python names with their docstrings:  python -m tests.docs.python_page"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import cds
import rules

PAGE = Path(__file__).parents[2] / "docs" / "python.md"

INTRODUCTION = """\
# From Python

What embedders may use of the two packages. These names stay; everything else may move. This page is generated from the
docstrings: `python -m tests.docs.python_page`.

```python
from datetime import UTC, datetime

from rules import Decider, load_ruleset

decider = Decider(load_ruleset())  # once a process; about a second
facts = {"age_years": 40, "neck_height_mm": 66, "neck_circumference_mm": 400}
decision = decider.decide(facts, at=datetime(2026, 3, 2, 10, tzinfo=UTC))
print(decision.size_class.code, decision.confidence)
```

`nuque facts` lists the facts, and with a word their units and accepted ranges; `decision.as_json()` is what the service sends.

A package called `rules` by somebody else exists as well. Where both are wanted, install Nuque in an environment of its own
and call it over HTTP or through the command `nuque`: two packages of one name cannot be imported side by side.
"""


def page() -> str:
    """The whole page."""
    return "\n".join([INTRODUCTION, *_package(rules), *_package(cds)])


def _package(package: ModuleType) -> Iterator[str]:
    yield f"## `{package.__name__}`\n"
    for name in package.__all__:
        if not name.startswith("__"):
            yield from _entry(name, getattr(package, name))


def _entry(name: str, value: Any) -> Iterator[str]:
    if inspect.isclass(value):
        yield f"### `{name}`\n\n{_prose(value)}\n"
        for member, method in vars(value).items():
            if inspect.isfunction(method) and not member.startswith("_"):
                yield f"#### `{name}.{member}{_signature(method)}`\n\n{_prose(method)}\n"
    else:
        yield f"### `{name}{_signature(value)}`\n\n{_prose(value)}\n"


def _signature(function: Any) -> str:
    parameters = inspect.signature(function).parameters.values()
    shown = [p.replace(default=_Shown(p.default)) if p.default is not p.empty else p for p in parameters]
    text = str(inspect.Signature(shown, return_annotation=inspect.signature(function).return_annotation))
    return text.replace("'", "").replace("(self, ", "(").replace("(self)", "()")


class _Shown:
    """A default as the page shows it: the same on every machine."""

    def __init__(self, value: object) -> None:
        self._value = value

    def __repr__(self) -> str:
        return "..." if isinstance(self._value, Path) or inspect.isfunction(self._value) else repr(self._value)


def _prose(value: Any) -> str:
    return re.sub(r"``", "`", inspect.cleandoc(value.__doc__ or ""))


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
