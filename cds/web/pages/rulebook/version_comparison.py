"""Two versions of the rules side by side, and whose decision changes: out of results of ``nuque rules compare``."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from cds.operation_outcome import Issue, RefusedCall
from cds.web.dependencies import CurrentService
from cds.web.pages.rendering import page
from cds.web.pages.rulebook.html_route import HtmlRoute
from cds.web.pages.rulebook.workbench_results import results

_SHOWN = 12
"""So many patients stand in full."""

router = APIRouter(
    tags=["pages"],
    default_response_class=HTMLResponse,
    route_class=HtmlRoute,
    responses={404: {"description": "HTML was not asked for, or no result has this name"}},
)


@router.get("/rules/versions")
def versions(request: Request, service: CurrentService, result: str = "") -> Response:
    """The comparisons that the site keeps, and one of them (``result``) in full; the first where none is named."""
    found = results(service.settings.results)
    if result and result not in found.comparisons:
        problem = f"no comparison is called {result[:100]!r}; /rules/versions lists them"
        raise RefusedCall(404, [Issue("result", problem, "not-found")])
    name = result or next(iter(found.comparisons), "")
    shown = found.comparisons.get(name)
    return page(
        request, "versions.html", ruleset=service.content.ruleset, found=found, name=name, shown=shown, most=_SHOWN
    )
