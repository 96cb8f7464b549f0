"""The interactive description of the API at ``/docs``, from files of a package: it opens without internet."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fastapi import APIRouter
from fastapi.openapi.docs import get_swagger_ui_html
from fastapi.responses import FileResponse, HTMLResponse

_FILES = Path(str(files("fastapi_offline"))) / "static"

router = APIRouter(include_in_schema=False)


@router.get("/docs")
def page() -> HTMLResponse:
    """The page; each operation can be tried from it."""
    return get_swagger_ui_html(
        openapi_url="/openapi.json",
        title="Nuque",
        swagger_js_url="/docs/swagger-ui-bundle.js",
        swagger_css_url="/docs/swagger-ui.css",
        swagger_favicon_url="data:,",
    )


@router.get("/docs/swagger-ui-bundle.js")
def script() -> FileResponse:
    """The page's script."""
    return FileResponse(_FILES / "swagger-ui-bundle.js", media_type="text/javascript")


@router.get("/docs/swagger-ui.css")
def style() -> FileResponse:
    """The page's style sheet."""
    return FileResponse(_FILES / "swagger-ui.css", media_type="text/css")
