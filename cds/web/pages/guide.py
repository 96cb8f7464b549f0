"""The guide at ``/docs/guide``: the pages of ``docs/``, built beforehand and served as they are."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources.abc import Traversable

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from cds.operation_outcome import Issue, RefusedCall
from cds.web.pages import rendering

ADDRESS = "/docs/guide"

router = APIRouter(include_in_schema=False)


@router.get(ADDRESS)
def beginning() -> Response:
    """The way to the first page, from where its links count."""
    return RedirectResponse(f"{ADDRESS}/", 308)


@router.get(ADDRESS + "/{name:path}")
def guide_file(request: Request, name: str) -> Response:
    """One page of the guide, or what a page loads."""
    name = name or "index.html"
    if not rendering.GUIDE.is_dir():
        raise RefusedCall(404, [Issue("name", "the guide is not built here; run: make guide", "not-found")])
    found = dict(_files(rendering.GUIDE, ""))
    if name not in found:
        raise RefusedCall(404, [Issue("name", f"the guide has no page {name[:100]!r}", "not-found")])
    return rendering.built_file(request, name, found[name].read_bytes())


def _files(folder: Traversable, above: str) -> Iterator[tuple[str, Traversable]]:
    for one in folder.iterdir():
        if one.is_dir():
            yield from _files(one, f"{above}{one.name}/")
        else:
            yield above + one.name, one
