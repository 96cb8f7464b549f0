"""The floor: a bare ASGI callable that parses the body as JSON and answers a constant. It imports nothing of ``cds``.

It parses with orjson, as the service does: a slower parser would lift the floor, and flatter the service.

The path of a call says how long the answer is, in bytes: ``POST /56000``.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import orjson


async def app(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """Answer one connection."""
    if scope["type"] == "lifespan":
        await _live(receive, send)
        return
    parts, more = [], True
    while more:
        message = await receive()
        parts.append(message.get("body", b""))
        more = message.get("more_body", False)
    orjson.loads(b"".join(parts))
    answer = _constant(scope["path"])
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(answer)).encode())]
    await send({"type": "http.response.start", "status": 200, "headers": headers})
    await send({"type": "http.response.body", "body": answer})


async def _live(receive: Any, send: Any) -> None:
    for said in ("startup", "shutdown"):
        await receive()
        await send({"type": f"lifespan.{said}.complete"})


@cache
def _constant(path: str) -> bytes:
    """A JSON text of as many bytes as ``path`` says."""
    return b'"' + b"x" * (int(path.removeprefix("/")) - 2) + b'"'
