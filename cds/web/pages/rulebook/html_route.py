"""One address for people and programs: browsers get the page, whoever does not ask for HTML the JSON of the API."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi.routing import APIRoute
from starlette.routing import Match


class HtmlRoute(APIRoute):
    """Matches browsers only: at the same address programs get JSON."""

    def matches(self, scope: Mapping[str, Any]) -> tuple[Match, Any]:
        """As any route, where HTML is asked for."""
        accepted = b",".join(value for name, value in scope.get("headers", ()) if name == b"accept")
        return super().matches(scope) if b"text/html" in accepted else (Match.NONE, {})  # type: ignore[arg-type]
