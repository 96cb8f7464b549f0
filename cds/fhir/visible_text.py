"""Text from a record as it may be shown: without characters that a reader cannot see, or that turn the order of others."""

from __future__ import annotations

import unicodedata

_APART = frozenset({"Cc", "Zl", "Zp"})
"""Unicode categories of what stands between words: controls, and separators of lines and paragraphs."""
_HIDDEN = frozenset({"Cf", "Co", "Cs", "Cn"})
"""Unicode categories: formats (bidirectional and zero-width characters, tags), private, surrogate, unassigned."""
_BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u2800\u3164\uffa0")
"""Letters and marks that show nothing (Unicode, Default_Ignorable_Code_Point and the empty Braille pattern)."""


def visible(text: str) -> str:
    """``text`` with a space for each control or separator, and without the other characters that cannot be seen."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(map(_shown, text))


def _shown(char: str) -> str:
    kind = unicodedata.category(char)
    if kind in _APART:
        return " "
    selects = "\ufe00" <= char <= "\ufe0f" or "\U000e0100" <= char <= "\U000e01ef"
    return "" if selects or char in _BLANK or kind in _HIDDEN else char
