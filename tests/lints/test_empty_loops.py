"""The search for tests that look at nothing finds them, and leaves the others alone."""

from pathlib import Path

import pytest

from tests.lints.empty_loops import found

LOOKING = """
FILLED = ("a", "b")


def checked(value):
    assert value


def given_back(value):
    assert value
    return value


def other():
    return given_back(1)


def test_x(things):
    {}
"""

NOTHING = [
    "for thing in things():\n        assert thing",
    "for thing in things():\n        for part in (1, 2):\n            assert thing",
    "assert all(thing for thing in things())",
    "assert not any(thing for thing in things())",
    "assert [thing for thing in things() if not thing] == []",
    "for thing in things():\n        checked(thing)",
    "while things():\n        assert things()",
    "print(things())",
    "[checked(thing) for thing in things()]",
    "for thing in given_back(things()):\n        assert thing",
    "found = given_back(things())\n    for thing in found:\n        assert thing",
    "found = other()\n    assert all(thing for thing in found['parts'])",
    "with given_back(things()) as found:\n        for thing in found:\n            assert thing",
    "found = ['a']\n    found = things()\n    for thing in found:\n        assert thing",
    "FILLED = things()\n    for thing in FILLED:\n        assert thing",
    "def part(FILLED):\n        pass\n    for thing in FILLED:\n        assert thing",
]
SOMETHING = [
    "assert things",
    "for thing in FILLED:\n        assert thing",
    "for thing in (1, 2):\n        checked(thing)",
    "for number in range(3):\n        assert things(number)",
    "assert all(thing for thing in FILLED)",
    "with pytest.raises(ValueError):\n        things()",
    "with opened() as thing:\n        assert thing",
    "found = things()\n    assert found\n    for thing in found:\n        assert thing",
    "checked(things())",
    "given_back(things())",
    "other()",
    "things().locator('main').wait_for()",
    "found = ['a', *things()]\n    for thing in found:\n        assert thing",
    "assert [thing for thing in things()] == [1]",
    "for one, other in zip(FILLED, things(), strict=True):\n        assert one == other",
]


@pytest.mark.parametrize("body", NOTHING)
def test_a_test_that_may_look_at_nothing_is_found(tmp_path: Path, body: str) -> None:
    (tmp_path / "test_it.py").write_text(LOOKING.format(body))
    assert [place.rpartition(": ")[2] for place in found(tmp_path)] == ["test_x"]


@pytest.mark.parametrize("body", SOMETHING)
def test_a_test_that_looks_at_something_is_not(tmp_path: Path, body: str) -> None:
    (tmp_path / "test_it.py").write_text(LOOKING.format(body))
    assert found(tmp_path) == []
