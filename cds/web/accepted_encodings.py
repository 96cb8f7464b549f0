"""What a client accepts of compressed answers (RFC 9110, 12.5.3)."""

from __future__ import annotations

import re

_WEIGHT = re.compile(r"q=(0(?:\.\d{0,3})?|1(?:\.0{0,3})?)", re.IGNORECASE)


def accepts_gzip(accept_encoding: str) -> bool:
    """Whether gzip is named in the header ``accept_encoding`` with a weight above 0; a weight that cannot be read counts as 0."""
    for part in accept_encoding.split(","):
        coding, *parameters = (each.strip() for each in part.split(";"))
        if coding.lower() not in ("gzip", "x-gzip"):
            continue
        weights = [_WEIGHT.fullmatch(each) for each in parameters]
        if all(found is not None and float(found[1]) > 0 for found in weights):
            return True
    return False
