"""The table of units, held against two libraries: ucumvert on pint, which reads UCUM codes, and unyt, which has units alone."""

from decimal import Decimal
from fractions import Fraction
from itertools import product

import pytest
import unyt
from hypothesis import given
from hypothesis import strategies as st
from ucumvert import PintUcumRegistry

from cds.fhir.reading.code_map_loader import load_code_map
from rules.model.units import UNITS, UnitError, annotation_of, convert, factor, is_annotation, measured, unit_of
from tests.shipped_content import RULESET

REGISTRY = PintUcumRegistry()
PAIRS = list(product(UNITS, UNITS))
SAME = [(a, b) for a, b in PAIRS if UNITS[a].dimension == UNITS[b].dimension]

# UCUM code, unit of the fact, and the same units as unyt spells them.
IN_UNYT = [
    ("mm", "mm", "mm", "mm"),
    ("dm", "mm", "dm", "mm"),
    ("[in_i]", "mm", "inch", "mm"),
    ("[ft_i]", "cm", "ft", "cm"),
    ("[yd_i]", "m", "yd", "m"),
    ("[mi_i]/h", "km/h", "mile/hr", "km/hr"),
    ("g", "kg", "g", "kg"),
    ("[lb_av]", "kg", "lb", "kg"),
    ("[oz_av]", "kg", "oz", "kg"),
    ("min", "h", "minute", "hr"),
    ("d", "h", "day", "hr"),
    ("g/cm2", "kg/m2", "g/cm**2", "kg/m**2"),
]


def test_the_table_reaches_every_dimension_and_its_pairs_are_many() -> None:
    assert len({unit.dimension for unit in UNITS.values()}) == 11
    assert len(SAME) > 200


@pytest.mark.parametrize("code", UNITS)
def test_each_code_is_ucum_and_converts_as_the_ucum_library_says(code: str) -> None:
    compared = [(a, b) for a, b in SAME if a == code]
    assert compared
    for unit, target in compared:
        said = REGISTRY.from_ucum(unit).to(REGISTRY.from_ucum(target).units).magnitude
        said /= REGISTRY.from_ucum(target).magnitude
        assert float(factor(unit, target)) == pytest.approx(said, rel=1e-9), (unit, target)


def test_a_number_that_was_rounded_when_it_was_written_is_read_as_what_it_was() -> None:
    assert convert(Decimal("887.0357"), "wk", "a") < 17 == measured(Decimal("887.0357"), "wk", "a")
    assert measured(Decimal("887.0"), "wk", "a") < 17
    assert measured(Decimal("16.99999999"), "a", "a") == 16.99999999


def test_what_measures_the_same_is_what_the_ucum_library_says() -> None:
    said = {code: REGISTRY.from_ucum(code).dimensionality for code in UNITS}
    differing = [(a, b) for a, b in PAIRS if (said[a] == said[b]) != (UNITS[a].dimension == UNITS[b].dimension)]
    assert differing == []


@pytest.mark.parametrize(("ucum", "target", "unit", "into"), IN_UNYT)
@given(number=st.decimals(min_value="0.001", max_value=5000, places=3))
def test_agrees_with_a_second_library(ucum: str, target: str, unit: str, into: str, number: Decimal) -> None:
    expected = unyt.unyt_quantity(float(number), unit).to(into).value
    assert convert(number, ucum, target) == pytest.approx(float(expected), rel=1e-9)


def test_every_unit_of_the_knowledge_and_of_the_code_map_is_in_the_table() -> None:
    used = {fact.unit for fact in RULESET.vocabulary.values() if fact.unit is not None}
    used |= set(load_code_map(RULESET).units.values())
    assert {"mm", "kg", "h"} <= used
    for code in used:
        unit_of(code)


def test_a_minute_is_a_sixtieth_of_an_hour_exactly() -> None:
    assert factor("min", "h") == Fraction(1, 60)


def test_an_annotation_inside_a_unit_is_left_out_of_account() -> None:
    assert factor("cm{neck}", "mm") == 10
    assert factor("kg{body}/m2", "g/cm2") == Fraction(1, 10)
    assert annotation_of("cm{neck}") == "neck"


def test_a_bare_annotation_only_counts() -> None:
    assert is_annotation("{finger}")
    assert annotation_of("{finger}") == "finger"
    assert unit_of("{finger}") == unit_of("1")
    assert not is_annotation("cm{finger}")


@pytest.mark.parametrize("unit", ["kg", "m2", "1", "{finger}", "s", "%", "/min"])
def test_another_dimension_is_refused(unit: str) -> None:
    with pytest.raises(UnitError, match="does not measure in mm"):
        factor(unit, "mm")


@pytest.mark.parametrize(
    "unit",
    [
        "",
        " ",
        "inch",
        "CM ",
        "mm\n",
        "\x00",
        "[pH]",
        "{",
        "{a}mm",
        "mm/{a}",
        "Cel",
        "10.mm",
        "m99999",
        "10*9",
        "m" * 99,
    ],
)
def test_what_is_not_in_the_table_is_refused(unit: str) -> None:
    with pytest.raises(UnitError, match="unknown unit") as refused:
        factor(unit, "mm")
    assert len(str(refused.value)) < 100


@given(st.text(max_size=50))
def test_any_text_converts_or_is_refused(unit: str) -> None:
    try:
        assert factor(unit, "mm") > 0
    except UnitError as error:
        assert "unit" in str(error)
