"""What a browser is shown while nothing is decided, as the content is not checked: a page that loads itself again."""

from __future__ import annotations

from fastapi import Request, Response

from cds.web.pages.rendering import page

_SECONDS = 10


def waiting(request: Request, why: str) -> Response:
    """The page that says ``why``. What was posted is not loaded again: it would be lost."""
    is_post = request.method == "POST"
    shown = page(request, "waiting.html", 503, why=why, is_post=is_post, address=request.url.path, seconds=_SECONDS)
    if not is_post:
        shown.headers["Refresh"] = str(_SECONDS)
    return shown
