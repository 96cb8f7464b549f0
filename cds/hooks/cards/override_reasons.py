"""The reasons to go against a card, as Codings."""

from __future__ import annotations

from functools import lru_cache

from cds.fhir import codes
from cds.fhir.canonical_urls import Canonicals
from cds.protocol.response import Coding


@lru_cache(16)
def override_reasons(urls: Canonicals) -> tuple[Coding, ...]:
    """The reasons as codings under the canonical base of ``urls``."""
    return tuple(
        Coding(system=urls.code_system(codes.OVERRIDE_REASON_SYSTEM), code=code, display=display)
        for code, display in codes.OVERRIDE_REASONS.items()
    )
