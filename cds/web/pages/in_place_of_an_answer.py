"""What a browser is shown in place of an answer: why a page is refused, or that nothing is decided by the content."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Sequence

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from cds.web.dependencies import Withheld
from cds.web.pages.rendering import page

Handler = Callable[[Request, Exception], Awaitable[Response]]

_HEADINGS = {403: "Not opened", 404: "Nothing stands here", 405: "Nothing stands here"}
_NO_ADDRESS = {
    404: "No page has this address.",
    405: "This page is made of a form: begin at the bedside page.",
}
"""What the framework says of an address is not for readers."""


_SECONDS = 10
"""After which a page that waits loads itself again."""


def waiting(request: Request, why: Withheld) -> Response:
    """The page that says ``why`` nothing is decided, and whom to tell where waiting alone does not help.

    What was posted is not loaded again: it would be lost.
    """
    is_post = request.method == "POST"
    is_refused = why is Withheld.REFUSED
    shown = page(
        request,
        "waiting.html",
        503,
        is_refused=is_refused,
        is_post=is_post,
        address=request.url.path,
        seconds=_SECONDS,
    )
    if not is_post:
        shown.headers["Refresh"] = str(_SECONDS)
    return shown


def refused(request: Request, status: int, said: Sequence[str]) -> Response:
    """The page that says why there is none."""
    heading = _HEADINGS.get(status, "That cannot be used")
    return page(request, "refused.html", status, heading=heading, said=said)


def for_browsers(handler: Handler, is_page_path: Callable[[str], bool]) -> Handler:
    """``handler`` for programs; a person who asked for a page, or for what is not there, reads the same as a page."""

    async def answer(request: Request, error: Exception) -> Response:
        answered = await handler(request, error)
        unknown = isinstance(error, HTTPException)
        if "text/html" not in request.headers.get("accept", "") or not (unknown or is_page_path(request.url.path)):
            return answered
        told = _NO_ADDRESS.get(answered.status_code) if unknown else None
        shown = refused(request, answered.status_code, [told] if told else _said(answered))
        for name in ("allow", "retry-after"):
            if name in answered.headers:
                shown.headers[name] = answered.headers[name]
        return shown

    return answer


def _said(answered: Response) -> list[str]:
    """The problems of an OperationOutcome, without the name of the field that each begins with."""
    issues = json.loads(bytes(answered.body))["issue"]
    fields = [f"{next(iter(issue.get('expression', [])), '')}: " for issue in issues]
    return [issue["diagnostics"].removeprefix(field) for issue, field in zip(issues, fields, strict=True)]
