"""How a reference leads to a resource on a FHIR server whose address is known."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from cds.fhir.json_access import text

_LITERAL = re.compile(r"(?:(?P<server>https?://\S+)/)?(?P<place>[A-Z][A-Za-z]*/[A-Za-z0-9\-.]{1,64})")
_VERSION = re.compile(r"/_history/[A-Za-z0-9\-.]{1,64}$")
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


class SentAlong:
    """Resources that were sent together, among which a reference is resolved.

    FHIR R4, bundle.html, "Resolving references in Bundles".
    """

    def __init__(self, entries: Iterable[tuple[str | None, dict[str, Any]]], server: str | None = None) -> None:
        """Resolve among ``entries``, each a fullUrl and a resource; ``server`` is the address of the client's FHIR server."""
        self._server = server
        self._by_url: dict[str, dict[str, Any]] = {}
        self._by_place: dict[str, list[tuple[str | None, dict[str, Any]]]] = {}
        for url, resource in entries:
            if url is not None:
                self._by_url.setdefault(as_compared(url), resource)
            kind, given = text(resource, "resourceType"), text(resource, "id")
            if kind is not None and given is not None:
                self._by_place.setdefault(f"{kind}/{given}", []).append((url, resource))

    def find(self, reference: str) -> dict[str, Any] | None:
        """The resource to which ``reference`` leads: a fullUrl (``urn:uuid:`` too), ``Type/id``, or an absolute address.

        Which version of it is meant does not count. An absolute address leads to the resource of that type and id on the
        server that is known, or to one of which no address is told where none is known.
        """
        bare = as_compared(_VERSION.sub("", reference))
        if bare in self._by_url:
            return self._by_url[bare]
        literal = _LITERAL.fullmatch(bare)
        if literal is None:
            return None
        for url, resource in self._by_place.get(literal["place"], ()):
            on_server = bare in addresses(self._server, literal["place"]) if self._server is not None else url is None
            if literal["server"] is None or on_server:
                return resource
        return None
