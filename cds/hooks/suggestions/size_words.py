"""Sizes that an order states in words: ``adult H5 G2``, as a size class is written, or part of it (``H5``).

A text counts where it names a band (a value of an axis in millimetres); the values of other axes count beside a band only, since
``adult`` or ``standard`` alone may be said of anything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import lru_cache

from rules.model.ruleset import Axis

_BETWEEN = re.compile(r"[\s,;/+-]*")
_DENIED = re.compile(r"\b(?:no|not|never|than|without|instead\s+of)\s+(?:\w+\s+){0,2}$", re.IGNORECASE)
_LONGEST = 2000
"""Characters of one text in which sizes are looked for."""


def sizes_in_words(text: str, axes: Mapping[str, Axis]) -> Iterator[dict[str, str]]:
    """The sizes that ``text`` names, each the values of those of ``axes`` (by name) that it writes out.

    What is denied (``not H5``) is none.
    """
    found: dict[str, str] = {}
    start = end = 0
    by_words, pattern = _vocabulary(_key(axes))
    text = text[:_LONGEST]
    for match in pattern.finditer(text):
        axis, value = by_words[_plain(match[0])]
        if axis in found or not _BETWEEN.fullmatch(text, end, match.start()):
            yield from _counted(found, text[:start], axes)
            found = {}
        if not found:
            start = match.start()
        found[axis], end = value, match.end()
    yield from _counted(found, text[:start], axes)


def is_only_a_size(text: str, axes: Mapping[str, Axis]) -> bool:
    """Whether ``text`` says nothing beside one size, in the words and values of ``axes`` (by name)."""
    rest = _vocabulary(_key(axes))[1].sub(" ", text)
    return _BETWEEN.fullmatch(rest) is not None and len(list(sizes_in_words(text, axes))) == 1


def _counted(found: dict[str, str], before: str, axes: Mapping[str, Axis]) -> Iterator[dict[str, str]]:
    if any(axes[axis].edges for axis in found) and not _DENIED.search(before[-60:]):
        yield found


def _key(axes: Mapping[str, Axis]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return tuple((axis.name, axis.values) for axis in axes.values())


@lru_cache(16)
def _vocabulary(axes: tuple[tuple[str, tuple[str, ...]], ...]) -> tuple[dict[str, tuple[str, str]], re.Pattern[str]]:
    """What each value is called, and a pattern that finds any of them."""
    by_words = {_plain(value): (axis, value) for axis, values in axes for value in values}
    longest_first = sorted(by_words, key=len, reverse=True)
    named = "|".join(re.escape(words).replace(r"\ ", r"[\s_]") for words in longest_first)
    return by_words, re.compile(rf"(?<!\w)(?:{named})(?!\w)", re.IGNORECASE)


def _plain(words: str) -> str:
    return " ".join(words.replace("_", " ").split()).casefold()
