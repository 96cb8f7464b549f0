"""How long something lasts, or how old it is, as people say it: one wording for cards, pages, paper, reports and terminals."""

from __future__ import annotations

from math import floor
from typing import Final

_DAY: Final = 24.0
_MOST_HOURS: Final = 48
_MOST_DAYS_SAID_EXACTLY: Final = 90
_UNITS: Final = (("year", 365.25, 2.0), ("month", 30.4375, 2.0), ("week", 7.0, 2.0), ("day", 1.0, 0.0))
"""Each unit with its days, and from how many of them on a duration is rounded to it; the longest first."""
_HALVES_BELOW: Final = 4
_HALVES_BELOW_HOURS: Final = 2
_EXACT: Final = 6
"""Digits after the point beyond which a difference comes from reckoning with binary numbers."""


def duration_words(hours: float) -> str:
    """``hours`` (not negative) in words, such as ``30 minutes``, ``12 hours``, ``3 days``, ``10 months``.

    Up to 48 hours are said in hours, less than one in minutes. Whole days up to 90 are said exactly, in weeks where they
    are two or more whole ones. Anything else is rounded: below four of a unit to halves, from there on to whole ones.
    """
    if hours < 1:
        return _counted(round(hours * 60), "minute")
    if hours <= _MOST_HOURS:
        return _counted(round(hours, 1), "hour")
    days = hours / _DAY
    if days == round(days) and days <= _MOST_DAYS_SAID_EXACTLY:
        return _counted(days / 7, "week") if days % 7 == 0 and days >= 14 else _counted(days, "day")
    if days == 365:
        return _counted(1, "year")
    name, length, _ = next(unit for unit in _UNITS if days >= unit[1] * unit[2])
    number = days / length
    return _counted(round(number * 2) / 2 if number < _HALVES_BELOW else round(number), name)


def deadline_words(hours: float) -> str:
    """Within ``hours`` (not negative) in words, never later than they are: ``18 hours`` for 18.5, ``1.5 hours``, ``40 minutes``.

    Whole hours up to 48, halves below two, minutes below one; beyond that whole days, after 90 of them whole weeks.
    """
    hours = round(hours, _EXACT)
    if hours < 1:
        return _counted(floor(round(hours * 60, _EXACT)), "minute")
    if hours <= _MOST_HOURS:
        return _counted(floor(hours * 2) / 2 if hours < _HALVES_BELOW_HOURS else floor(hours), "hour")
    days = floor(hours / _DAY)
    return duration_words(days * _DAY) if days <= _MOST_DAYS_SAID_EXACTLY else _counted(days // 7, "week")


def _counted(number: float, unit: str) -> str:
    return f"{number:g} {unit}{'' if number == 1 else 's'}"
