from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cds.site.catalogue import Catalogue
from cds.site.catalogue_matching import Shelf
from rules.deciding.decider import Decider
from rules.errors import KnowledgeError
from rules.loading.yaml_reader import YamlFile
from tests.shipped_content import RULESET

AT = datetime(2026, 1, 31, 10, tzinfo=UTC)
DECIDER = Decider(RULESET)


def _line(item: str, line: str, back: str, height: str, girth: str, more: str = "") -> str:
    ranges = f"height_mm: {height}, circumference_mm: {girth}"
    return f"{{item: {item}, name: {item.title()}, line: {line}, contour: neutral, back: {back}, {ranges}{more}}}"


def _file(*lines: str) -> str:
    return "site: {name: an invented shelf}\nitems:\n" + "".join(f"  - {line}\n" for line in lines)


SHELF = _file(
    _line("low", "adult", "[standard, recumbent]", "[40, 60]", "[300, 400]"),
    _line("high", "adult", "standard", "[60, 80]", "[300, 400]"),
    _line("wide", "adult", "standard", "[60, 80]", "[390, 480]"),
    _line("child", "child", "standard", "[20, 60]", "[200, 350]", ", quantity: 3"),
    _line("gone", "adult", "standard", "[90, 110]", "[300, 400]", ", quantity: 0"),
)
SOUND = _line("a", "adult", "standard", "[1, 2]", "[1, 2]")


def _shelf(text: str = SHELF, **facts: object) -> Shelf:
    catalogue = Catalogue.build(YamlFile("shelf.yaml", text), DECIDER.ruleset)
    settled = {"head_position": "neutral", "bed_rest": False, "age_years": 40, **facts}
    return catalogue.fitting(DECIDER.decide({name: value for name, value in settled.items() if value is not None}, AT))


def _items(**facts: object) -> list[str]:
    return [item.item for item in _shelf(**facts).items]


def test_an_item_that_fits_is_named_with_the_reason() -> None:
    (item,) = _shelf(neck_height_mm=70, neck_circumference_mm=350).items
    assert (item.item, item.name, item.distance) == ("high", "High", 0)
    assert item.why == (
        "neck height 70 mm measured, takes 60 to 80 mm; neck circumference 350 mm measured, takes 300 to 400 mm"
    )


def test_both_ends_of_a_range_fit_and_the_smaller_item_stands_first_where_both_are_as_near() -> None:
    assert _items(neck_height_mm=60, neck_circumference_mm=350) == ["low", "high"]
    assert _items(neck_height_mm=61, neck_circumference_mm=350) == ["high"]


def test_the_nearest_item_stands_first() -> None:
    assert _items(neck_height_mm=70, neck_circumference_mm=392) == ["high", "wide"]
    assert _items(neck_height_mm=70, neck_circumference_mm=399) == ["wide", "high"]


def test_of_an_unmeasured_neck_the_bands_stand_in() -> None:
    shelf = _shelf(sex="male", neck_circumference_mm=350)
    assert [item.item for item in shelf.items] == ["low", "high"]
    assert "neck height not measured, height 45 to under 60 mm assumed" in shelf.items[0].why


def test_finger_breadths_stand_in_with_their_uncertainty() -> None:
    shelf = _shelf(neck_height_fingers=3.5, neck_circumference_mm=350)
    assert [item.item for item in shelf.items] == ["low", "high"]
    assert "57 to 76 mm estimated" in shelf.items[1].why


def test_a_child_is_never_given_an_adult_item() -> None:
    assert _items(age_years=9, neck_height_mm=43, neck_circumference_mm=320) == ["child"]


@pytest.mark.parametrize(
    ("facts", "because"),
    [
        ({"neck_height_mm": 85}, "neck height 85 mm measured; the items that fit otherwise take"),
        (
            {"neck_height_mm": 70, "neck_circumference_mm": 520},
            "neck circumference 520 mm measured; the items that fit otherwise take 300 to 480 mm",
        ),
        (
            {"age_years": 4, "neck_height_mm": 40, "neck_circumference_mm": 240},
            "line: no item on the shelf with young child line",
        ),
        (
            {"head_position": "fixed_flexion", "neck_height_mm": 42},
            "contour: no item on the shelf with head supported in the flexion found among the 4 that fit so far",
        ),
        (
            {"age_years": 9, "bed_rest": True, "neck_height_mm": 40, "neck_circumference_mm": 280},
            "back: no item on the shelf with back that relieves pressure behind the head",
        ),
        ({"neck_height_mm": 100}, "stock: Gone (gone) would fit, and none is left"),
        ({"age_years": None, "height_cm": 100}, "no size is given"),
        ({"head_position": "fixed_other"}, "no size is given"),
    ],
)
def test_where_nothing_fits_the_failing_dimension_is_named(facts: dict[str, object], because: str) -> None:
    shelf = _shelf(**{"neck_circumference_mm": 350, **facts})
    assert shelf.items == ()
    assert any(line.startswith(because) for line in shelf.none_because), shelf.none_because


def test_where_two_dimensions_fail_both_are_named() -> None:
    shelf = _shelf(neck_height_mm=125, neck_circumference_mm=600)
    assert [line.split(" mm")[0] for line in shelf.none_because] == ["neck height 125", "neck circumference 600"]


@given(
    height=st.none() | st.integers(30, 120),
    girth=st.none() | st.integers(250, 650),
    fingers=st.none() | st.integers(1, 7),
    age=st.none() | st.integers(1, 90),
    bed_rest=st.none() | st.booleans(),
    look=st.sampled_from([None, "short", "middling", "long"]),
)
def test_items_or_a_reason_and_only_items_that_take_what_was_measured(
    height: int | None,
    girth: int | None,
    fingers: int | None,
    age: int | None,
    bed_rest: bool | None,
    look: str | None,
) -> None:
    catalogue = Catalogue.build(YamlFile("shelf.yaml", SHELF), DECIDER.ruleset)
    given_facts = {
        "neck_height_mm": height,
        "neck_circumference_mm": girth,
        "neck_height_fingers": fingers,
        "age_years": age,
        "bed_rest": bed_rest,
        "chin_to_shoulder_look": look,
    }
    decision = DECIDER.decide({name: value for name, value in given_facts.items() if value is not None}, AT)
    shelf = catalogue.fitting(decision)
    assert bool(shelf.items) != bool(shelf.none_because)
    stocked = {item.item: item for item in catalogue.items}
    lines = {candidate.size_class.values["line"] for candidate in decision.candidates}
    for found in shelf.items:
        item = stocked[found.item]
        assert lines & set(item.axes["line"])
        assert 0 <= found.distance <= 1
        for measured, axis in ((height, "height_band"), (girth, "girth_band")):
            low, high = item.ranges[axis]
            assert measured is None or low <= measured <= high


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("{item: a}", "items.0.name: this key is missing"),
        (SOUND.replace("neutral", "bent"), "items.0.contour: no contour called 'bent'; there are: neutral, flexed"),
        (SOUND.replace("adult", "[]"), "items.0.line: Value should have at least 1 item"),
        (
            SOUND.replace("height_mm: [1, 2]", "height_mm: [2, 1]"),
            "items.0.height_mm: expected [least, most] in mm, rising and above 0; found [2, 1]",
        ),
        (
            SOUND.replace("circumference_mm: [1, 2]", "circumference_mm: [1, .inf]"),
            "items.0.circumference_mm: expected",
        ),
        (
            SOUND.replace("height_mm: [1, 2]", "height_mm: 7"),
            "items.0.height_mm: must be a list, not a number; found 7",
        ),
        (SOUND.replace("}", ", price: 3}"), "items.0.price: no key of this name"),
        (
            SOUND.replace("}", ", quantity: -1}"),
            "items.0.quantity: must be greater than or equal to 0",
        ),
    ],
)
def test_a_problem_in_the_file_is_named_with_its_place(tmp_path: Path, line: str, message: str) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_text(_file(line), encoding="utf-8")
    with pytest.raises(KnowledgeError) as error:
        Catalogue.load(path, DECIDER.ruleset)
    assert str(error.value).startswith("shelf.yaml:3: ")
    assert message in str(error.value)


def test_an_item_number_stands_once() -> None:
    with pytest.raises(KnowledgeError, match=r"item 'a' already stands in shelf.yaml:3"):
        Catalogue.build(YamlFile("shelf.yaml", _file(SOUND, SOUND)), DECIDER.ruleset)


def test_what_belongs_to_an_item_is_said_with_it() -> None:
    shelf = _file(_line("low", "adult", "standard", "[40, 80]", "[300, 400]", ", accessories: [two sets of linings]"))
    (item,) = _shelf(shelf, neck_height_mm=60, neck_circumference_mm=350).items
    assert item.accessories == ("two sets of linings",)
    assert item.said == f"{item.why}; with two sets of linings"
