"""Moments as FHIRPath tells them apart: whole seconds until the moment of the decision, worked out from the text of a date.

FHIRPath has no difference of two moments, and compares none of which one is coarser than the other. A bare date is its first
moment in the zone of ``%at``, as everywhere in the rule set.
"""

from __future__ import annotations

from collections.abc import Iterator

NO_TIME = "9999999999"
"""In place of a padded age where no time is recorded: sorts after every age."""
_OFFSET = 1000
"""Seconds added to a padded age, so that what a clock in advance wrote is not negative."""
_MOST_DAYS = 21900
"""60 years; beyond all is as old. Seconds of more than 68 years are no Integer of FHIRPath."""

_DAYS = (
    "(365 * YEAR + YEAR div 4 - YEAR div 100 + YEAR div 400 + (MONTH * 306 + 5) div 10 "
    "+ substring(8, 2).toInteger() - 1)"
)
_MONTH = "((substring(5, 2).toInteger() + 9) mod 12)"
_SECONDS = (
    "(substring(11, 2).toInteger() * 3600 + substring(14, 2).toInteger() * 60 "
    "+ iif(substring(16, 1) = ':', substring(17, 2), '0').toInteger() "
    "- iif(endsWith('Z'), 0, iif(substring(length() - 6, 1) = '-', -1, 1) "
    "* (substring(length() - 5, 2).toInteger() * 3600 + substring(length() - 2, 2).toInteger() * 60)))"
)
FIRST_DAY = "iif(length() = 4, $this & '-01-01', iif(length() = 7, $this & '-01', $this))"
"""The date in ``$this``, that of a year or a month as its first day."""
_TIMED = "iif(length() = 10, $this & 'T00:00:00' & %at_zone, $this)"


def days() -> str:
    """The number of the day that the date in ``$this`` (``2026-01-31``, with a time or without) is."""
    return _DAYS.replace("YEAR", f"(substring(0, 4).toInteger() - {_MONTH} div 10)").replace("MONTH", _MONTH)


def the_moment() -> Iterator[tuple[str, str]]:
    """The moment of the decision in its parts, out of ``%at``, a text as FHIR writes a dateTime."""
    yield "at_zone", "%at.select(iif(endsWith('Z'), 'Z', substring(length() - 6)))"
    yield "at_day", f"%at.select({days()})"
    yield "at_second", f"%at.select({_SECONDS})"


def age(written: str) -> str:
    """The whole seconds from the moment that the path ``written`` leads to until ``%at``; empty where it says none."""
    day = f"(%at_day - {days()})"
    most = f"iif({day} > {_MOST_DAYS}, {_MOST_DAYS}, iif({day} < -{_MOST_DAYS}, -{_MOST_DAYS}, {day}))"
    return f"{written}.toString().select({FIRST_DAY}).select({_TIMED}).select({most} * 86400 + %at_second - {_SECONDS})"


def padded(seconds: str) -> str:
    """The age ``seconds`` as a text of ten digits that sorts as it does, and after all others where it is empty."""
    digits = f"('0000000000' & ($this + {_OFFSET}).toString()).select(substring(length() - 10))"
    return f"({seconds}).select({digits}).combine('{NO_TIME}').first()"


def unpadded(text: str) -> str:
    """The age of the padded ``text`` in seconds."""
    return f"({text}.toInteger() - {_OFFSET})"


def padded_number(seconds: float) -> str:
    """``seconds`` as ``padded`` writes them."""
    return f"{int(seconds) + _OFFSET:010d}"


def is_day(written: str) -> str:
    """That the path ``written`` leads to a day without a time."""
    return f"({written}.toString().length() = 10)"


def period_is_day(period: str) -> str:
    """That of the Periods under the path ``period`` the end, or the start where they go on, is a day without a time."""
    return f"{period}.select(iif(({age('end')}) >= 0, {is_day('end')}, {is_day('start')}))"


def goes_on(period: str) -> str:
    """That one of the Periods under the path ``period`` is not over."""
    return f"{period}.where((({age('end')}) >= 0).not().allTrue()).exists()"


def not_reversed(element: str) -> str:
    """That no Period under the choice ``element`` has an end before its start."""
    return f"{element}.ofType(Period).where(start > end).empty()"


def period_age(period: str) -> str:
    """The age of the Periods under the path ``period``: by the end where it is over, else by the start.

    Empty where the end lies before the start.
    """
    ended = age("end")
    return f"{period}.where((start > end).not().allTrue()).select(iif(({ended}) >= 0, {ended}, {age('start')}))"
