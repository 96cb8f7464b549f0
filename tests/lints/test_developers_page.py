"""DEVELOPERS.md: short, one map with every package once, and no place that does not exist."""

import re

import pytest

from tests.lints.developer_map import PAGE, ROOT, drawn_map, packages, written_map

pytestmark = pytest.mark.tree

LONGEST = 150
"""Lines. What would make it longer belongs into the docstring of the module that it speaks of."""

MOST_MODULES = 16

TOP_LEVEL = ("rules/", "cds/", "tests/", "docs/", "demo_bundles/", ".ci/", ".requirements/")


def test_it_is_short() -> None:
    assert len(PAGE.read_text(encoding="utf-8").splitlines()) < LONGEST


def test_the_map_is_what_the_docstrings_say() -> None:
    assert written_map() == drawn_map(), "run: python -m tests.lints.developer_map"


def test_every_package_stands_in_it_once() -> None:
    rows = re.findall(r"^\| `([^`]+)/` \|", written_map(), re.MULTILINE)
    assert rows == [str(folder.relative_to(ROOT)) for folder in packages()]
    assert len(rows) > 30


def test_no_folder_holds_more_modules_than_one_takes_in() -> None:
    tests = [folder for folder in (ROOT / "tests").rglob("*") if folder.is_dir() and folder.name != "__pycache__"]
    modules = {
        str(folder.relative_to(ROOT)): sum(module.name != "__init__.py" for module in folder.glob("*.py"))
        for folder in [*packages(), ROOT / "tests", *tests]
    }
    assert len(modules) > 60 and max(modules.values()) > 5
    assert {folder: number for folder, number in modules.items() if number > MOST_MODULES} == {}


def test_every_place_that_it_names_exists() -> None:
    quoted = re.findall(r"`([^`\n]+)`", PAGE.read_text(encoding="utf-8"))
    places = {text for text in quoted if text.startswith(TOP_LEVEL) and " " not in text and "TOPIC" not in text}
    assert len(places) > 40
    assert sorted(place for place in places if not list(ROOT.glob(place.rstrip("/")))) == []


def test_every_part_of_ci_is_described() -> None:
    described = re.findall(
        r"^\| `(\w+)` \|", PAGE.read_text(encoding="utf-8").partition("## Continuous")[2], re.MULTILINE
    )
    assert described == sorted(path.name for path in (ROOT / ".ci" / "parts").iterdir())


def test_every_make_target_that_it_names_exists() -> None:
    targets = set(re.findall(r"^([a-z-]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = set(re.findall(r"make ([a-z-]+)", PAGE.read_text(encoding="utf-8")))
    assert len(named) > 8
    assert named <= targets
