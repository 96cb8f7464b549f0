"""The reasons to go against a card, as Codings: those that can be meant of what it is about."""

from __future__ import annotations

from functools import lru_cache

from cds.fhir import codes
from cds.fhir.canonical_urls import Canonicals
from cds.protocol.response import Coding

_OF_SIZES = frozenset({"measured-otherwise", "fit-checked", "not-in-stock"})
"""Reasons that speak of a size or an item."""
_ABOUT_SIZES = frozenset({"size", "order"})
"""Topics of cards that may suggest one."""
_NO_ORDER = frozenset({"not-tolerated"})
"""Reasons that speak of what is done to the patient."""


@lru_cache(64)
def override_reasons(urls: Canonicals, topic: str, *, sized: bool) -> tuple[Coding, ...]:
    """The reasons to go against a card about ``topic``, as codings under the canonical base of ``urls``.

    Those that speak of a size stand where the card is about one and (``sized``) nothing goes before it.
    """
    left_out = frozenset() if sized and topic in _ABOUT_SIZES else _OF_SIZES
    if topic == "unread":
        left_out |= _NO_ORDER
    return tuple(
        Coding(system=urls.code_system(codes.OVERRIDE_REASON_SYSTEM), code=code, display=display)
        for code, display in codes.OVERRIDE_REASONS.items()
        if code not in left_out
    )
