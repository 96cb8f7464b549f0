"""A page as an HTTP answer: its template, its safety headers, and the files that it loads from this service only."""

from __future__ import annotations

import gzip
import hashlib
import re
from base64 import b64encode
from datetime import datetime, tzinfo
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import APIRouter, Request, Response
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from cds.operation_outcome import Issue, RefusedCall
from cds.web.accept_headers import accepts_gzip
from cds.web.dependencies import of_call
from rules.model.quantity_words import quantity_words, unit_words, value_words
from rules.model.rule_text import in_words

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
"""Content Security Policy of every page: nothing from elsewhere, no script or style that stands in the page itself."""

_HEADERS = {
    "Content-Security-Policy": POLICY,
    # No address of a page holds anything of a patient; with "no-referrer" browsers would send the posts without their origin.
    "Referrer-Policy": "same-origin",
    "Vary": "Accept, Accept-Encoding",
}
_TYPES = {
    "css": "text/css; charset=utf-8",
    "html": "text/html; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "txt": "text/plain; charset=utf-8",
}
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=\w)")
_NO_BREAK = "\N{NO-BREAK SPACE}"
_ADDRESS = re.compile(r"(?<![\w/.&;#])(/(?:bedside|fit|rules(?:/map|/versions)?|try))(?![\w/.])")
_A_YEAR = "public, max-age=31536000, immutable"
_STATIC = files("cds.web.pages") / "static"

GUIDE = files("cds.web.pages") / "guide_pages"
"""The guide as built, if it was: in the wheel always, in a checkout where make put it."""

WITH_PROBLEMS: dict[int | str, dict[str, Any]] = {
    422: {"description": "something posted cannot be used; the page says what"}
}
"""What a route that reads a form adds to its description."""

static = APIRouter(include_in_schema=False)


def page(request: Request, template: str, status: int = 200, **shown: Any) -> Response:
    """``template`` filled with what is ``shown``, as the answer to ``request`` with the HTTP status code ``status``.

    It is compressed where the browser takes it.
    """
    settings, guide = of_call(request).settings, GUIDE.is_dir()
    filled = _environment(settings.zone).get_template(template)
    text = filled.render(demonstration=settings.trust == "open", guide=guide, **shown)
    return _compressed(request, text.encode(), "text/html; charset=utf-8", status, _HEADERS)


def document(request: Request, text: str, style: str) -> Response:
    """The finished page ``text`` with one ``style`` of its own, which the policy names by its hash; it answers ``request``."""
    digest = b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = POLICY.replace("style-src 'self'", f"style-src 'sha256-{digest}'")
    headers = {**_HEADERS, "Content-Security-Policy": policy}
    return _compressed(request, text.encode(), "text/html; charset=utf-8", 200, headers)


def built_file(request: Request, name: str, content: bytes) -> Response:
    """The ``content`` of the file ``name`` of a page that was built before the service ran, as the answer to ``request``.

    Browsers may keep it for ten minutes. Its type is told by the ending of its name.
    """
    headers = {**_HEADERS, "Cache-Control": "private, max-age=600"}
    return _compressed(request, content, _TYPES[name.rpartition(".")[2]], 200, headers)


@static.get("/static/{name}")
def static_file(request: Request, name: str) -> Response:
    """A style sheet or script; its address carries a digest of its content, so it may be kept for long."""
    if name not in _names():
        raise RefusedCall(404, [Issue("name", f"no file is called {name[:100]!r}", "not-found")])
    return _compressed(request, _content(name), _TYPES[name.rpartition(".")[2]], 200, {"Cache-Control": _A_YEAR})


def _compressed(request: Request, content: bytes, media_type: str, status: int, headers: dict[str, str]) -> Response:
    # No page holds a secret beside what was typed into it, so the length of a compressed answer tells nobody anything.
    if accepts_gzip(request.headers.get("accept-encoding", "")):
        content, headers = gzip.compress(content, 5), {**headers, "Content-Encoding": "gzip"}
    return Response(content, status, headers, media_type)


@cache
def _environment(zone: tzinfo | None) -> Environment:
    """What fills templates, with the times of the clock in ``zone``."""
    environment = Environment(
        loader=PackageLoader("cds.web.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["static"] = lambda name: f"/static/{name}?v={hashlib.sha256(_content(name)).hexdigest()[:12]}"
    environment.filters["moment"] = lambda at: moment_words(at, zone)
    environment.filters["plain"] = value_words
    environment.filters["quantity"] = quantity_words
    environment.filters["in_words"] = lambda text, ruleset: in_words(ruleset, text)
    environment.filters["unit"] = unit_words
    environment.filters["unbroken"] = lambda said: _NUMBER_AND_UNIT.sub(_NO_BREAK, said)
    environment.filters["with_links"] = _with_links
    environment.filters["sentence"] = lambda text: text[:1].upper() + text[1:]
    return environment


def _with_links(text: str) -> Markup:
    """``text`` in which an address of one of our pages, as programs are told it, is a link."""
    return Markup(_ADDRESS.sub(r'<a href="\1">\1</a>', str(escape(text))))


def moment_words(at: datetime, zone: tzinfo | None) -> str:
    """The moment ``at`` (with time zone) on the clock in ``zone`` (None: the clock of this machine)."""
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M %Z}"


@cache
def _names() -> frozenset[str]:
    return frozenset(one.name for one in _STATIC.iterdir())


@cache
def _content(name: str) -> bytes:
    return (_STATIC / name).read_bytes()
