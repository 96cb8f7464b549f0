"""What a page's form posts: read, and only from a page of this service."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request

from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import of_call
from cds.web.form_body import form_fields

Form = dict[str, str]
"""The posted fields by name; the last one counts where a name is given twice."""


async def _posted(request: Request) -> Form:
    _check_origin(request)
    return dict(await form_fields(request))


def _check_origin(request: Request) -> None:
    """Refuse a post that a page of another origin sent (fetch metadata, else the origin); programs send neither header."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        foreign = site not in ("same-origin", "none")
    elif origin is not None:
        public = of_call(request).settings.public_url
        own = {request.headers.get("host"), urlsplit(public).netloc if public else None}
        foreign = urlsplit(origin).netloc not in own
    else:
        foreign = False
    if foreign:
        raise RefusedCall(
            403, [Issue(None, "a page of another origin sent this form; open the page here", "forbidden")]
        )


PostedForm = Annotated[Form, Depends(_posted)]
"""Type of a route's parameter that takes the posted form."""
