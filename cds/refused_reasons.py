"""The reasons for which values are refused, as a few fixed words: a metric must not carry the sentence, which quotes the record.

The words are told by how the project's own sentences go; a test holds them to what the reading of records really says.
"""

from __future__ import annotations

import re

OTHER = "other"
_KINDS = tuple(
    (kind, re.compile(how))
    for kind, how in (
        ("derived", "^worked out by "),
        ("contradiction", "^contradicts "),
        ("stale", "^stale:|may be older than the limit"),
        ("no time", "^no time is recorded|^effective.* is not read"),
        ("future", "in the future"),
        ("malformed", "^malformed|^not a FHIR resource|is not an array|^a bundle entry without|^expected one"),
        ("modifier", "which may change its meaning"),
        ("coarse", "^too coarse"),
        ("incomplete", "^the record system answered|goes on in a page"),
        ("unit", "^no unit|^wrong unit|^unknown unit|^the unit "),
        ("implausible", "^implausible|^not a finite number|^not a number|^not a whole number"),
        ("no value", "^no value|^only a limit is recorded"),
        ("status", "[sS]tatus is |^intent is |^it has abated|^was due by |^orders that it not"),
        ("patient", "^another patient|^does not say whose|^belongs to |recorded as deceased"),
        (
            "code",
            "no such code|^no code|^the code|^says only that|cannot be read here|is no quantity|^neither a known|^does not say",
        ),
    )
)
"""The first that fits counts."""

KINDS = frozenset({kind for kind, _ in _KINDS} | {OTHER})
"""Every word that ``kind_of`` gives."""


def kind_of(reason: str) -> str:
    """The word for ``reason`` (of a ``NotUsed``)."""
    return next((kind for kind, how in _KINDS if how.search(reason)), OTHER)
