"""The interactive description of the API at ``/docs``, from files that come along: it opens without internet.

They are swagger-ui-dist 5.35.0 (npm) as released, compressed; a test holds them to their hashes. Licence beside them.
"""

from __future__ import annotations

from importlib.resources import files

from fastapi import APIRouter, Response

_FILES = files("cds.web.routes") / "swagger_ui_files"

router = APIRouter(include_in_schema=False)


@router.get("/docs")
def page() -> Response:
    """The page; each operation can be tried from it."""
    return Response((_FILES / "page.html").read_bytes(), media_type="text/html")


@router.get("/docs/start.js")
def start() -> Response:
    """What starts the page."""
    return Response((_FILES / "start.js").read_bytes(), media_type="text/javascript")


@router.get("/docs/swagger-ui-bundle.js")
def script() -> Response:
    """The page's script."""
    return _compressed("swagger-ui-bundle.js.gz", "text/javascript")


@router.get("/docs/swagger-ui.css")
def style() -> Response:
    """The page's style sheet."""
    return _compressed("swagger-ui.css.gz", "text/css")


def _compressed(name: str, media_type: str) -> Response:
    # Every browser takes gzip; the page is of no use without one.
    return Response((_FILES / name).read_bytes(), headers={"Content-Encoding": "gzip"}, media_type=media_type)
