"""Units as people write them on a page."""

from __future__ import annotations

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
    "mm/a": ("mm a year", "mm a year"),
    "cm/a": ("cm a year", "cm a year"),
    "kg/a": ("kg a year", "kg a year"),
    "/d": ("a day", "a day"),
    "kg/m2": ("kg/m²", "kg/m²"),
}


def unit_words(code: str | None, number: object = None) -> str:
    """What people write for the UCUM ``code`` behind a ``number`` (None: any); nothing where there is no unit."""
    one, many = _WORDS.get(code or "", (code or "",) * 2)
    return one if number == 1 else many
