"""No two modules and no two public classes have one name; a namesake is found."""

from pathlib import Path

import pytest

from tests.lints.namesakes import PACKAGES, ROOT, SHARED, namesakes


def shared(root: Path, **texts: str) -> list[str]:
    """What is shared where each of ``texts`` is a file below ``root``, with ``__`` for the slash."""
    for name, text in texts.items():
        path = root / f"{name.replace('__', '/')}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return namesakes(root)


@pytest.mark.tree
def test_nothing_in_the_tree_tells_two_things_by_one_name() -> None:
    assert namesakes() == [], "give each a name that says which it is"


@pytest.mark.tree
@pytest.mark.parametrize("name", SHARED)
def test_a_name_that_may_be_shared_is(name: str) -> None:
    files = [path for package in PACKAGES for path in (ROOT / package).rglob(f"{name}.py")]
    assert len(files) > 1, "take it out of the list"


def test_a_module_of_one_name_with_another_is_found(tmp_path: Path) -> None:
    assert shared(tmp_path, rules__model__facts="", cds__fhir__facts="", cds__fhir__codes="") == [
        "module facts: rules/model/facts.py, cds/fhir/facts.py"
    ]


def test_a_module_that_is_called_as_a_package_is_found(tmp_path: Path) -> None:
    (tmp_path / "cds" / "site").mkdir(parents=True)
    (tmp_path / "cds" / "site" / "__init__.py").touch()
    assert shared(tmp_path, rules__site="") == ["module site: rules/site.py, cds/site/__init__.py"]


def test_a_public_class_of_one_name_with_another_is_found(tmp_path: Path) -> None:
    one, other = "class Unit: ...\nclass _Line: ...", "class Unit(str): ...\nclass _Line: ..."
    assert shared(tmp_path, rules__units=one, cds__forms=other) == ["class Unit: rules/units.py, cds/forms.py"]


def test_resources_and_commands_may_be_called_as_they_are(tmp_path: Path) -> None:
    assert shared(tmp_path, cds__cql__patient="", cds__patient="", cds__cli__commands__fit="", rules__fit="") == []
