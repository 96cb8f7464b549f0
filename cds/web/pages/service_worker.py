"""The worker that keeps the last bedside page in a browser's memory while it is open, for a reload without a network."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

from fastapi import APIRouter, Response

from cds.web.pages.rendering import POLICY

router = APIRouter(include_in_schema=False)


@router.get("/bedside/keeper.js")
def keeper() -> Response:
    """Its script, with the policy that a kept page is shown under: that of every page."""
    # A script may keep pages below its own address only; this one keeps the page above it.
    headers = {
        "Service-Worker-Allowed": "/bedside",
        "Cache-Control": "no-cache",
        "Content-Security-Policy": "default-src 'none'; connect-src 'self'; frame-ancestors 'none'",
    }
    return Response(_script(), headers=headers, media_type="text/javascript; charset=utf-8")


@cache
def _script() -> str:
    text = (files("cds.web.pages") / "static" / "keeper.js").read_text(encoding="utf-8")
    return text.replace('POLICY = ""', f"POLICY = {json.dumps(POLICY)}")
