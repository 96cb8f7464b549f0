"""Numbers with their units as people write them: pages, paper, reports and terminals use the same words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.model.durations import duration_words

if TYPE_CHECKING:
    from rules.model.facts import FactValue

_SAID_IN_HOURS_UP_TO = 48
_SAID_IN_TENTHS_FROM = 2
"""Years and hours beyond which nobody says more than one decimal."""

_WORDS = {
    "{finger}": ("finger", "fingers"),
    "{score}": ("point", "points"),
    "{count}": ("time", "times"),
    "{stair}": ("stair", "stairs"),
    "{person}": ("person", "people"),
    "{card}": ("card", "cards"),
    "1": ("", ""),
    "a": ("year", "years"),
    "h": ("hour", "hours"),
    "min": ("minute", "minutes"),
    "d": ("day", "days"),
    "wk": ("week", "weeks"),
    "mo": ("month", "months"),
    "mm/a": ("mm a year", "mm a year"),
    "cm/a": ("cm a year", "cm a year"),
    "kg/a": ("kg a year", "kg a year"),
    "/d": ("a day", "a day"),
    "kg/m2": ("kg/m²", "kg/m²"),
    "[in_i]": ("inch", "inches"),
    "[ft_i]": ("foot", "feet"),
    "[yd_i]": ("yard", "yards"),
    "[mi_i]": ("mile", "miles"),
    "[mi_i]/h": ("mile an hour", "miles an hour"),
    "[in_us]": ("US survey inch", "US survey inches"),
    "[ft_us]": ("US survey foot", "US survey feet"),
    "[oz_av]": ("ounce", "ounces"),
    "[lb_av]": ("pound", "pounds"),
    "[stone_av]": ("stone", "stone"),
}


def unit_words(code: str | None, number: object = None) -> str:
    """What people write for the UCUM ``code`` behind a ``number`` (None: any); nothing where there is no unit.

    A code of a record that is not known here stands as it is, without the brackets of an annotation.
    """
    one, many = _WORDS.get(code or "", ((code or "").strip("{}"),) * 2)
    return one if number == 1 else many


def value_words(value: FactValue) -> str:
    """``value`` without its unit: ``yes`` and ``no``, a number without needless zeros, a code without underscores."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value).replace("_", " ")


def quantity_words(value: FactValue, unit: str | None) -> str:
    """``value`` with its UCUM ``unit`` in words; many hours are said in days, weeks, months or years as well."""
    if unit in ("a", "h") and isinstance(value, float) and value > _SAID_IN_TENTHS_FROM:
        value = round(value, 1)
    said = f"{value_words(value)} {unit_words(unit, value)}".strip()
    many = unit == "h" and isinstance(value, (int, float)) and value > _SAID_IN_HOURS_UP_TO
    return f"{said} ({duration_words(float(value))})" if many else said
