"""How a reference leads to a resource on a FHIR server whose address is known."""

from __future__ import annotations


def addresses(server: str, reference: str) -> tuple[str, ...]:
    """What an absolute reference to ``reference`` (``Patient/1``) on the FHIR ``server`` says: its address, by http or by https."""
    _, _, place = server.rstrip("/").partition("://")
    return tuple(f"{scheme}://{place}/{reference}" for scheme in ("https", "http"))
