from decimal import Decimal
from fractions import Fraction

import pytest
import unyt
from hypothesis import given
from hypothesis import strategies as st

from cds.fhir.reading.ucum import UnitError, convert, factor, is_annotation

# UCUM code, unit of the fact, and the same unit as the second library spells it.
PAIRS = [
    ("mm", "mm", "mm"),
    ("cm", "mm", "cm"),
    ("dm", "mm", "dm"),
    ("m", "mm", "m"),
    ("[in_i]", "mm", "inch"),
    ("[ft_i]", "cm", "ft"),
    ("g", "kg", "g"),
    ("kg", "kg", "kg"),
    ("[lb_av]", "kg", "lb"),
    ("[oz_av]", "kg", "oz"),
    ("min", "h", "minute"),
    ("d", "h", "day"),
    ("kg/m2", "kg/m2", "kg/m**2"),
    ("g/cm2", "kg/m2", "g/cm**2"),
]
_IN_UNYT = {"kg/m2": "kg/m**2", "h": "hr"}


@pytest.mark.parametrize(("ucum", "target", "other"), PAIRS)
@given(number=st.decimals(min_value="0.001", max_value=5000, places=3))
def test_agrees_with_a_second_library(ucum: str, target: str, other: str, number: Decimal) -> None:
    expected = unyt.unyt_quantity(float(number), other).to(_IN_UNYT.get(target, target)).value
    assert convert(number, ucum, target) == pytest.approx(float(expected), rel=1e-9)


def test_a_minute_is_a_sixtieth_of_an_hour_exactly() -> None:
    assert factor("min", "h") == Fraction(1, 60)


def test_a_number_within_the_unit_counts() -> None:
    assert convert(Decimal(3), "10.mm", "mm") == 30.0


def test_an_annotation_inside_a_unit_is_left_out_of_account() -> None:
    assert factor("cm{neck}", "mm") == 10


@pytest.mark.parametrize("unit", ["kg", "m2", "1", "{finger}", "s", "10*99", "mm[Hg]"])
def test_another_dimension_is_refused(unit: str) -> None:
    with pytest.raises(UnitError, match="does not measure in mm"):
        factor(unit, "mm")


@pytest.mark.parametrize("unit", ["", " ", "inch", "CM ", "mm\n", "\x00", "[pH]", "{", "m99999", "10*999999", "m" * 99])
def test_what_is_not_ucum_is_refused(unit: str) -> None:
    with pytest.raises(UnitError, match="unknown unit"):
        factor(unit, "mm")


def test_a_unit_with_an_offset_is_refused() -> None:
    with pytest.raises(UnitError, match="not a plain multiple"):
        factor("Cel", "K")


@given(st.text(max_size=50))
def test_any_text_converts_or_is_refused(unit: str) -> None:
    try:
        assert factor(unit, "mm") > 0
    except UnitError as error:
        assert "unit" in str(error)


def test_a_bare_annotation_only_counts() -> None:
    assert is_annotation("{finger}")
    assert not is_annotation("cm{finger}")
