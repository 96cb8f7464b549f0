"""What a browser is shown in place of an answer: why a page is refused or failed, or that nothing is decided by the content."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Sequence

from fastapi import Request, Response
from starlette.exceptions import HTTPException

from cds.web.dependencies import Withheld
from cds.web.pages.rendering import page

Handler = Callable[[Request, Exception], Awaitable[Response]]

_HEADINGS = {401: "Not opened", 403: "Not opened", 404: "Nothing stands here", 405: "Begin with the form"}
_NO_ADDRESS = "No page has this address."
_NO_PERSON = "No page stands at this address: programs call it."
_OF_A_FORM = "This page is made of what was typed, and nothing of that is kept."
"""What the framework says of an address is not for readers."""

_NO_PATIENT = ("/rules", "/docs/guide")
_UNASKED = (
    "The rules and the guide are about no patient: whoever only reads them asks the IT service desk to be let in."
)
"""Where pages are refused that need no chart."""

_BEGINNINGS = {
    "/fit": ("/fit", "Fit check"),
    "/rules": ("/rules", "All rules"),
    "/try": ("/try", "Try a hook"),
    "/docs/guide": ("/docs/guide/", "Guide"),
}
_BEDSIDE = ("/bedside", "Bedside page")
"""By how an address begins, the page from which one goes on; else the bedside page."""

_SECONDS = 10
"""After which a page that waits loads itself again."""


def waiting(request: Request, why: Withheld) -> Response:
    """The page, as an answer to ``request``, that says ``why`` nothing is decided, and whom to tell where waiting does not help.

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


def refused(request: Request, status: int, said: Sequence[str], heading: str | None = None) -> Response:
    """The page that says why there is none for ``request``, and where to go on.

    ``status`` is that of the HTTP answer, ``said`` the reasons, one a paragraph, and ``heading`` stands over them.
    """
    heading = heading or _HEADINGS.get(status, "That cannot be used")
    onward = next((one for start, one in _BEGINNINGS.items() if request.url.path.startswith(start)), _BEDSIDE)
    return page(request, "refused.html", status, heading=heading, said=said, onward=onward)


def failed(request: Request, number: str) -> Response:
    """The page that says that the service failed, under which ``number`` it is logged, and what to do meanwhile.

    It answers ``request`` with 500.
    """
    said = ["The service failed, and nothing was decided. Go by the downtime sheet of your ward."]
    if request.method == "POST":
        said.append("Go back: what you typed is still there. Send it again once.")
    said.append(f"Should it fail again, tell the IT service desk this number: {number[:8]}.")
    return refused(request, 500, said, "This did not work")


def shut_out(request: Request, status: int, said: Sequence[str]) -> Response:
    """The same for whoever is let in nowhere: without a way on, as each would be refused.

    ``status`` is that of the HTTP answer to ``request``, ``said`` the reasons, one a paragraph.
    """
    told = [*said, _UNASKED] if request.url.path.startswith(_NO_PATIENT) else said
    return page(request, "refused.html", status, heading=_HEADINGS.get(status, "Not opened"), said=told, onward=None)


def for_browsers(handler: Handler, is_page_path: Callable[[str], bool]) -> Handler:
    """``handler`` for programs; a person who asked for a page, or for what is not there, reads the same as a page.

    ``is_page_path`` says whether a path is that of a page.
    """

    async def answer(request: Request, error: Exception) -> Response:
        answered = await handler(request, error)
        unknown = isinstance(error, HTTPException)
        if "text/html" not in request.headers.get("accept", "") or not (unknown or is_page_path(request.url.path)):
            return answered
        of_a_page, status = is_page_path(request.url.path), answered.status_code
        if unknown and status == 405:
            told = [_OF_A_FORM if of_a_page else _NO_PERSON]
            shown = refused(request, status, told, None if of_a_page else _HEADINGS[404])
        else:
            shown = refused(request, status, [_NO_ADDRESS] if unknown and status == 404 else _said(answered))
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
