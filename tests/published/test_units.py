"""Conversion factors that are exact by definition. Source: NIST Special Publication 811 (2008), appendix B."""

from decimal import Decimal
from fractions import Fraction

from rules.model.units import convert, factor


def test_an_inch_is_25_4_mm_exactly() -> None:
    # 1 in = 2.54 cm.
    assert factor("[in_i]", "mm") == Fraction(254, 10)


def test_a_pound_is_its_exact_number_of_kilograms() -> None:
    # 1 lb (avoirdupois) = 0.453 592 37 kg.
    assert factor("[lb_av]", "kg") == Fraction(45359237, 10**8)


def test_25_inches_reach_the_635_mm_edge() -> None:
    assert convert(Decimal(25), "[in_i]", "mm") == 635.0
    assert convert(Decimal("63.5"), "cm", "mm") == 635.0
    assert convert(Decimal("0.635"), "m", "mm") == 635.0
