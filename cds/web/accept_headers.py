"""What a client accepts: the names in a header such as Accept or Accept-Encoding, by their weights (RFC 9110, 12.4.2)."""

from __future__ import annotations

import re
from collections.abc import Iterator

_WEIGHT = re.compile(r"q=(0(?:\.\d{0,3})?|1(?:\.0{0,3})?)", re.IGNORECASE)


def accepted(header: str, *, with_parameters: bool = False) -> Iterator[str]:
    """The names in ``header``, in lower case, with a weight above 0; a weight that cannot be read counts as 0.

    ``with_parameters``: a name may have parameters of its own, as a media type has; without it all are read as weights.
    """
    for part in header.split(","):
        name, *parameters = (each.strip() for each in part.split(";"))
        if with_parameters:
            parameters = [each for each in parameters if each.partition("=")[0].strip().lower() == "q"]
        weights = [_WEIGHT.fullmatch(each) for each in parameters]
        if name and all(found is not None and float(found[1]) > 0 for found in weights):
            yield name.lower()


def accepts_gzip(accept_encoding: str) -> bool:
    """Whether the header ``accept_encoding`` takes gzip."""
    return any(coding in ("gzip", "x-gzip") for coding in accepted(accept_encoding))
