"""GitHub-flavoured Markdown for the detail of cards. Whatever comes from a record is escaped before it is shown."""

from __future__ import annotations

import re
from collections.abc import Iterable

from cds.fhir.visible_text import visible

_SPECIAL = re.compile(r"([\\`*_{}\[\]>#|~!])")
_ADDRESS = re.compile(r"(?i)(://|\bwww\.|(?<=\S)@(?=\S))")


def plain(text: str, longest: int = 300) -> str:
    """``text`` as it stands, on one line, cut to ``longest`` characters, with nothing in it that Markdown would act on."""
    one_line = shorten(" ".join(visible(text).split()), longest)
    # As entities, so that a client that shows the detail as HTML is safe as well.
    safe = one_line.replace("&", "&amp;").replace("<", "&lt;")
    escaped = _SPECIAL.sub(r"\\\1", safe)
    if not any(part in escaped.lower() for part in ("@", "://", "www.")):
        return escaped
    # An address would become a link that nobody checked; a space breaks it and leaves it readable.
    return _ADDRESS.sub(lambda found: f"{found[0]} ", escaped)


def code(text: str) -> str:
    """``text`` in a code span."""
    return "`" + " ".join(visible(text).replace("`", "'").split()) + "`"


def shorten(text: str, longest: int) -> str:
    """``text``, cut at a word so that it has at most ``longest`` characters; the cut shows as an ellipsis."""
    if len(text) <= longest:
        return text
    cut = text[: longest - 1]
    at_word = cut.rsplit(" ", 1)[0] if " " in cut[longest // 2 :] else cut
    return at_word.rstrip(" ,;:.-") + "…"


def bullets(lines: Iterable[str]) -> str:
    """``lines`` as a list with one bullet each; empty where there are none."""
    return "\n".join(f"- {line}" for line in lines)


def section(title: str, body: str) -> str:
    """``body`` under its ``title``; empty where ``body`` is."""
    return f"**{title}**\n\n{body}" if body else ""


def joined(parts: Iterable[str]) -> str:
    """``parts`` with a blank line between them; empty ones are left out."""
    return "\n\n".join(part for part in parts if part)
