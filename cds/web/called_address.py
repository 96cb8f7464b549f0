"""The address of the service in absolute links of its answers: what the site set, whatever name a call used."""

from __future__ import annotations

from urllib.parse import urlsplit

from fastapi import Request

from cds.web.dependencies import of_call


def called_address(request: Request) -> str:
    """Where whoever sent ``request`` finds the service, without a slash at its end.

    Of the addresses that the site set, the one whose host was called, else the first. In open mode it is the Host of the call,
    which there names this machine or is refused.
    """
    settings = of_call(request).settings
    known = settings.audiences or ((settings.public_url,) if settings.public_url else ())
    if settings.trust == "open" or not known:
        return str(request.base_url).rstrip("/")
    host = request.headers.get("host", "").lower()
    return next((one for one in known if urlsplit(one).netloc.lower() == host), known[0]).rstrip("/")
