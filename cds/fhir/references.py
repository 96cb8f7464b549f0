"""How a reference leads to a resource on a FHIR server whose address is known."""

from __future__ import annotations

import re

_ADDRESS = re.compile(r"(https?)://([^/?#]*)(.*)", re.IGNORECASE | re.DOTALL)
_DEFAULT_PORT = {"http": ":80", "https": ":443"}


def is_address(reference: str) -> bool:
    """Whether ``reference`` says on which server the resource is, over HTTP."""
    return reference[:8].lower().startswith(("http://", "https://"))


def as_compared(reference: str) -> str:
    """``reference`` as it is compared with others: of an address scheme and host in small letters, without the port they imply.

    RFC 3986, 6.2.2.1 and 6.2.3: they are the same however they are written. The path is not.
    """
    told = _ADDRESS.fullmatch(reference)
    if told is None:
        return reference
    scheme, place = told[1].lower(), told[2].lower()
    return f"{scheme}://{place.removesuffix(_DEFAULT_PORT[scheme]).removesuffix(':')}{told[3]}"


def addresses(server: str, reference: str) -> tuple[str, ...]:
    """What an absolute reference to ``reference`` (``Patient/1``) on the FHIR ``server`` says: its address, by http or by https.

    As ``as_compared`` gives them.
    """
    _, _, place = as_compared(server).rstrip("/").partition("://")
    return tuple(f"{scheme}://{place}/{reference}" for scheme in ("https", "http"))
